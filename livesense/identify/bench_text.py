"""Bench files made from what was found on a line: a start, to be completed by whoever knows the wiring."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from livesense.wire.checksum import CHECKS

if TYPE_CHECKING:
    from livesense.identify.binary import FoundRecord
    from livesense.identify.lines import FoundLines
    from livesense.identify.undescribed import FoundGroup
    from livesense.samples import Description

_LEAD = """\
# What came over the line, as found by livesense. The wiring nobody can see from here: which channel
# is which phase, shunt, gain and reference. Until they are stated, values are plain codes.
# Switch the drive off and prove it dead before you change any wiring; follow your local codes.

"""


def _link(wire: str, port: str, baud: int | None) -> str:
    text = f'[link]\nwire = "{wire}"\n'
    if port:
        text += f"port = {_quoted(port)}\n"
    if baud:
        text += f"baud = {baud}\n"
    return text


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _rate(rate_hz: float | None) -> str:
    if rate_hz is None:
        return '# rate = "20 kHz"       # scans per second: nothing on the line tells it\n'
    rounded = f"{float(f'{rate_hz:.4g}'):.10g}"
    return f'rate = "{rounded} Hz"       # as it came; state the nominal rate if you know it\n'


def _channels(names: tuple[str, ...]) -> str:
    return "".join(
        f'\n[[channel]]\nname = "{name}"\nsensor = "direct"      # codes as they come; '
        'then "shunt" with shunt, gain, reference and phase\n'
        for name in names
    )


def framed_bench(
    described: Description | None, measured: Mapping[int, float], port: str, baud: int | None
) -> str:
    """Bench file of a framed stream."""
    text = _LEAD + _link("framed", port, baud)
    names: tuple[str, ...] = ()
    if described is None:
        text += (
            '\n# The device did not describe itself:\n# [[group]]\n# rate = "20 kHz"\n# code = "u16"\n'
            '# channels = ["iu", "iv", "iw"]\n'
        )
    else:
        names = tuple(name for group in described.groups for name in group.channels)
        if any(group.rate_hz is None for group in described.groups):
            for number, group in enumerate(described.groups):
                text += f"\n[[group]]\n{_rate(group.rate_hz or measured.get(number))}"
    return text + _channels(names)


def undescribed_names(groups: Sequence[FoundGroup]) -> list[tuple[str, ...]]:
    """Name the channels of groups that nobody named: ``a1``, ``a2``, …; of further groups ``b1``, …."""
    return [
        tuple(f"{chr(ord('a') + place % 26)}{n}" for n in range(1, one.channels + 1))
        for place, one in enumerate(groups)
    ]


def undescribed_bench(
    groups: Sequence[FoundGroup],
    names: Sequence[tuple[str, ...]],
    rates: Mapping[int, float],
    port: str,
    baud: int | None,
) -> str:
    """Bench file of a framed stream without description; groups are numbered by their place in it."""
    text = _LEAD + _link("framed", port, baud)
    there = {one.number: (one, own) for one, own in zip(groups, names, strict=True)}
    for number in range(max(there) + 1):
        if number not in there:
            text += "\n# Of this group nothing came.\n[[group]]\nchannels = []\n"
            continue
        one, own = there[number]
        listed = ", ".join(f'"{name}"' for name in own)
        text += f'\n[[group]]\n{_rate(rates.get(number))}code = "{one.code}"\nchannels = [{listed}]\n'
    return text + "".join(map(_channels, names))


def lines_bench(found: FoundLines, rate_hz: float | None, port: str, baud: int | None) -> str:
    """Bench file of a text stream."""
    text = _LEAD + _link("text", port, baud)
    if not found.headed:
        text += "columns = [" + ", ".join(f'"{name}"' for name in found.columns) + "]\n"
    if found.counter_bits != 32:
        text += f"counter_bits = {found.counter_bits}\n"
    text += f"\n[[group]]\n{_rate(rate_hz)}"
    if found.whole:
        bits = max(
            int(max(found.largest, 0.0)).bit_length() + (found.smallest < 0),
            int(-found.smallest - 1).bit_length() + 1 if found.smallest < 0 else 0,
            1,
        )
        usual = next((b for b in (8, 10, 12, 14, 16, 18, 20, 24, 32) if b >= bits), 32)
        text += f"\n[adc]\nbits = {usual}              # no code that came needs more\n"
    return text + _channels(found.channels)


def record_bench(
    found: FoundRecord, rate_hz: float | None, port: str, baud: int | None
) -> tuple[tuple[str, ...], str]:
    """Names for the channels, and the bench file of a stream of records."""
    fields = []
    names: list[str] = []
    for one in found.fields:
        if one.role == "counter":
            fields.append(f"n:{one.type}")
        elif one.role == "clock":
            fields.append(f"{found.clock}:{one.type}")
        elif one.role == "pad":
            fields.append(f"_:{one.type}")
        else:
            names.append(f"a{len(names) + 1}")
            fields.append(f"{names[-1]}:{one.type}")
    text = _LEAD + _link("record", port, baud)
    text += "\n[link.record]\n"
    if found.sync:
        text += f'sync = "{found.sync.hex(" ").upper()}"\n'
    text += f'endian = "{"big" if found.big else "little"}"\n'
    text += "fields = [" + ", ".join(f'"{field}"' for field in fields) + "]\n"
    if CHECKS[found.check].width:
        text += f'check = "{found.check}"\n'
        if found.check_over_sync:
            text += 'check_over = "all"\n'
        if CHECKS[found.check].width > 1 and found.check_big != found.big:
            text += f'check_endian = "{"big" if found.check_big else "little"}"\n'
    if found.scans > 1:
        text += f"scans = {found.scans}\n"
    if found.counts_scans:
        text += 'counts = "scans"\n'
    text += f"\n[[group]]\n{_rate(rate_hz)}"
    if found.bits:
        text += f"\n[adc]\nbits = {found.bits}              # no code that came needs more\n"
    return tuple(names), text + _channels(tuple(names))

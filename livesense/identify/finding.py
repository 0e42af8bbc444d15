"""One answer from the bytes of a line: which wire, which channels, how fast, on what evidence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livesense.identify.bench_text import (
    framed_bench,
    lines_bench,
    record_bench,
    undescribed_bench,
    undescribed_names,
)
from livesense.identify.binary import FoundRecord, find_record
from livesense.identify.decimal_commas import has_decimal_commas
from livesense.identify.lines import FoundLines, find_lines
from livesense.identify.polled import modbus_polls
from livesense.identify.undescribed import FoundGroup, find_groups
from livesense.samples import Description, FaultKind, LinkFault, Packets
from livesense.wire.framed import FramedDecoder
from livesense.wording import counted, plain

FEWEST_BYTES = 64

TEXT_SHARE = 0.95
"""Share of printable bytes in text."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found.

    ``wire`` is "framed", "text", "record", or None; ``rate_hz`` None where nothing tells it.
    ``bench`` is the text of a bench file, empty where nothing was found.
    """

    wire: str | None
    channels: tuple[str, ...] = ()
    rate_hz: float | None = None
    confidence: float = 0.0
    evidence: tuple[str, ...] = ()
    bench: str = ""


def identify(data: bytes, seconds: float | None, *, port: str = "", baud: int | None = None) -> Finding:
    """Tell what these bytes are.

    Parameters
    ----------
    data
        Bytes as they came, from anywhere in the stream.
    seconds
        How long it took them to come; None where there is no clock (a file).
    port, baud
        For the bench file.
    """
    if not data:
        return Finding(
            None, evidence=("nothing came: is the device powered, sending, and wired to this port?",)
        )
    if len(data) < FEWEST_BYTES:
        return Finding(None, evidence=(f"only {len(data)} bytes came: too few to tell anything",))
    found = _framed(data, seconds, port, baud)
    if found.wire is None:
        printable = sum(data.count(byte) for byte in b"\t\r\n" + bytes(range(32, 127)))
        if printable > TEXT_SHARE * len(data):
            if has_decimal_commas(data):
                return Finding(None, evidence=(_DECIMAL_COMMAS,))
            lines = find_lines(data, seconds)
            if lines is not None:
                return _text(lines, data, seconds, port, baud)
            return Finding(None, evidence=(_other_text(data),))
        polls = modbus_polls(np.frombuffer(data, dtype=np.uint8))
        if polls:
            return Finding(None, evidence=(_POLLED.format(counted(polls, "request")),))
        record = find_record(data, seconds)
        if record is not None:
            return _record(record, data, seconds, port, baud)
    return found


_DECIMAL_COMMAS = (
    "lines of numbers with decimal commas: a comma parts fields for livesense; "
    "let the firmware print decimal points"
)
_POLLED = (
    "{} of Modbus RTU, each with its answer: a bus that a master polls, no scans that a device sends by "
    "itself; livesense listens only, so let the device stream on a line of its own (docs/wire.md)"
)


def _other_text(data: bytes) -> str:
    lines = data[:4096].splitlines() or [data]
    shown = lines[min(1, len(lines) - 1)][:60].decode("ascii", "replace").strip()
    return (
        f"text, but not lines of numbers and nothing else: {shown!r}; "
        "docs/wire.md tells which lines livesense reads"
    )


def _framed(data: bytes, seconds: float | None, port: str, baud: int | None) -> Finding:
    decoder = FramedDecoder()
    events = list(decoder.feed(data))
    # Packets that wait for a description are right all the same.
    packed = decoder.packets_waiting()
    waiting = len(packed)
    events += decoder.finish()
    described = [event for event in events if isinstance(event, Description)]
    scans: dict[int, int] = {}
    packets = 0
    for event in events:
        if isinstance(event, Packets):
            packets += len(event.group)
            for number, codes in event.codes.items():
                scans[number] = scans.get(number, 0) + len(codes)
    bad = sum(e.count for e in events if isinstance(e, LinkFault) and e.kind is not FaultKind.CODE_RANGE)
    good = packets + len(described) + waiting
    if good == 0 or good < bad:
        return Finding(None, evidence=("nothing repeats that livesense knows: no frames, lines or records",))
    evidence = [f"{good} frames with the right checksum, {bad} bad ones"]
    if not described:
        return _undescribed(find_groups(packed), evidence, seconds, port, baud)
    latest = described[-1]
    channels = tuple(name for group in latest.groups for name in group.channels)
    measured = {n: count / seconds for n, count in scans.items()} if seconds else {}
    rate_hz = latest.groups[0].rate_hz or measured.get(0)
    evidence.append(f"the device describes itself: {latest.device or 'no name'}, {len(channels)} channels")
    if not packets:
        evidence.append("only descriptions came: sampling has not started")
    for number, rate in measured.items():
        evidence.append(f"group {number}: about {plain(rate)} scans/s came")
    return Finding(
        "framed",
        channels,
        rate_hz,
        0.99 if good > 3 else 0.9,
        tuple(evidence),
        framed_bench(latest, measured, port, baud),
    )


def _undescribed(
    groups: list[FoundGroup], evidence: list[str], seconds: float | None, port: str, baud: int | None
) -> Finding:
    if not groups:
        evidence.append("no description came: the channels and code types must stand in the bench file")
        return Finding(
            "framed", confidence=0.9, evidence=tuple(evidence), bench=framed_bench(None, {}, port, baud)
        )
    evidence.append("no description came: code types and channels are read from the packets")
    for one in groups:
        doubt = "" if one.sure else ", or read another way: the firmware's source tells"
        evidence.append(
            f"group {one.number}: mostly {counted(one.scans, 'scan')} of "
            f"{counted(one.channels, 'channel')} in a packet, by the counters of {one.packets}; "
            f"as {one.code} they move least{doubt}"
        )
    rates = {g.number: g.rate_hz(seconds) for g in groups} if seconds else {}
    names = undescribed_names(groups)
    return Finding(
        "framed",
        tuple(name for group in names for name in group),
        rates.get(groups[0].number),
        0.9 if all(one.sure for one in groups) else 0.5,
        tuple(evidence),
        undescribed_bench(groups, names, rates, port, baud),
    )


def _text(found: FoundLines, data: bytes, seconds: float | None, port: str, baud: int | None) -> Finding:
    rate_hz = found.clock_rate_hz
    evidence = list(found.evidence)
    if seconds:
        rate_hz = data.count(b"\n") * found.fitting / found.lines / seconds
        evidence.append(f"about {plain(rate_hz)} lines/s came")
    elif rate_hz is None:
        evidence.append("nothing tells the scan rate: there is no clock")
    return Finding(
        "text",
        found.channels,
        rate_hz,
        found.confidence,
        tuple(evidence),
        lines_bench(found, rate_hz, port, baud),
    )


def _record(found: FoundRecord, data: bytes, seconds: float | None, port: str, baud: int | None) -> Finding:
    evidence = list(found.evidence)
    rate_hz = found.rate_hz
    if seconds:
        rate_hz = len(data) / found.length * found.scans / seconds
        evidence.append(f"about {plain(rate_hz)} scans/s came")
    elif rate_hz is not None:
        evidence.append(f"about {plain(rate_hz)} scans/s by the device's clock")
    else:
        evidence.append("nothing tells the scan rate: there is no clock")
    names, text = record_bench(found, rate_hz, port, baud)
    return Finding("record", names, rate_hz, found.confidence, tuple(evidence), text)

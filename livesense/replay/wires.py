"""Stored codes as bytes of the wire they came by: framed, text or records, encoded anew.

Counters go on where scans were lost, so that gaps of the run are gaps again. They begin at 0, because what a
device counted before the run is not kept.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from livesense.bench import Bench
from livesense.errors import UsageError
from livesense.layout import COUNTER, RecordLayout
from livesense.samples import Codes, CodeType, GroupInfo
from livesense.wire.checksum import check_rows
from livesense.wire.encode import description_packet, encode_frame, frames, note_packet, text_lines
from livesense.wire.packing import WIDTHS

PACKET_S = 0.01
"""A packet holds no more than so much time, as firmware does that wants to be seen live."""
PACKET_BYTES = 240
"""So many bytes of codes fill a packet without a second byte of stuffing, or nearly."""


class Wire(Protocol):
    """Bytes for what is to be sent."""

    def introduction(self, rates_hz: Sequence[float | None], boot: int) -> bytes:
        """Give what a device says of itself at power-on, and each second."""

    def scans(self, group: int, counter: int, time_s: float, codes: Codes) -> bytes:
        """Give scans ``(n, channels)`` that follow on; ``counter`` and ``time_s`` are those of the first."""

    def note(self, text: str) -> bytes:
        """Give a note of the device."""


def wire_for(bench: Bench, groups: Sequence[GroupInfo], names: Sequence[Sequence[str]], device: str,
             counted: bool) -> Wire:  # fmt: skip
    """Choose the wire that a run's bench file names.

    Parameters
    ----------
    groups, names
        What is stored, and the channels as the device wrote them, group by group.
    device
        Its name.
    counted
        Whether its wire had a counter.

    Raises
    ------
    UsageError
        The codes do not fit the wire: the run came from a file of other values.
    """
    shown = [replace(g, channels=tuple(n), clock=None) for g, n in zip(groups, names, strict=True)]
    if bench.link.record is not None:
        _fits(len(groups) == 1 and len(names[0]) == len(bench.link.record.channels), "records of its layout")
        return RecordWire(bench.link.record)
    if bench.link.wire == "text":
        _fits(len(groups) == 1 and groups[0].code is CodeType.TEXT, "lines of text")
        modulus = 1 << (bench.link.counter_bits or 32)
        return TextWire(shown[0], modulus if counted else None)
    _fits(all(g.code in WIDTHS for g in groups), "framed packets")
    return FramedWire(shown, device)


def _fits(yes: bool, what: str) -> None:
    if not yes:
        raise UsageError(
            f"expected a run whose codes can be sent as {what}, got one that was made of other values; "
            "export it instead, or replay a run that was recorded from a port"
        )


class FramedWire:
    """Packets with a checksum and a counter; see docs/wire.md."""

    def __init__(self, groups: Sequence[GroupInfo], device: str) -> None:
        self._groups = list(groups)
        self._device = device
        self._most = [_scans_a_packet(group) for group in groups]

    def introduction(self, rates_hz: Sequence[float | None], boot: int) -> bytes:
        """Give the description, with the rates that hold now."""
        groups = [replace(g, rate_hz=hz) for g, hz in zip(self._groups, rates_hz, strict=True)]
        return encode_frame(description_packet(groups, device=self._device, boot=boot))

    def scans(self, group: int, counter: int, time_s: float, codes: Codes) -> bytes:
        """Give frames."""
        return frames(group, counter, codes, self._most[group], self._groups[group].code)

    def note(self, text: str) -> bytes:
        """Give a note's packet."""
        return encode_frame(note_packet(text))


def _scans_a_packet(group: GroupInfo) -> int:
    by_size = PACKET_BYTES * 8 // (len(group.channels) * WIDTHS[group.code])
    by_time = by_size if not group.rate_hz else int(group.rate_hz * PACKET_S)
    return max(1, min(by_size, by_time))


class TextWire:
    """Lines of numbers under a header; values with decimals as they were written, trailing zeros apart."""

    def __init__(self, group: GroupInfo, modulus: int | None) -> None:
        self._group = group
        self._modulus = modulus
        self._places = group.decimals or (0,) * len(group.channels)

    def introduction(self, rates_hz: Sequence[float | None], boot: int) -> bytes:
        """Give a description with the rate, where there is one, and the header."""
        names = ([COUNTER] if self._modulus is not None else []) + list(self._group.channels)
        about: dict[str, Any] = {"livesense": 1, "boot": boot}
        if rates_hz[0]:
            about["groups"] = [{"rate_hz": rates_hz[0]}]
        said = f"#{json.dumps(about)}\n" if rates_hz[0] else ""
        return (said + ",".join(names) + "\n").encode()

    def scans(self, group: int, counter: int, time_s: float, codes: Codes) -> bytes:
        """Give lines."""
        counters = [(counter + np.arange(len(codes))) % self._modulus] if self._modulus is not None else []
        if not any(self._places):
            return text_lines(np.column_stack([*counters, codes.astype(np.int64)]))
        columns = [list(map(str, c.tolist())) for c in counters]
        columns += [
            [_decimal(code, places) for code in column.tolist()]
            for column, places in zip(codes.T, self._places, strict=True)
        ]
        return "".join(",".join(row) + "\n" for row in zip(*columns, strict=True)).encode()

    def note(self, text: str) -> bytes:
        """Give a line of words."""
        return ("# " + " ".join(text.split()) + "\n").encode()


def _decimal(code: int, places: int) -> str:
    if not places:
        return str(code)
    digits = f"{abs(code):0{places + 1}d}"
    whole, rest = digits[:-places], digits[-places:].rstrip("0")
    return ("-" if code < 0 else "") + whole + (f".{rest}" if rest else "")


class RecordWire:
    """Records of one length, as the bench file declares them; pads are zero."""

    def __init__(self, layout: RecordLayout) -> None:
        self._layout = layout

    def introduction(self, rates_hz: Sequence[float | None], boot: int) -> bytes:
        """Give nothing: such a device says nothing of itself."""
        return b""

    def note(self, text: str) -> bytes:
        """Give nothing: records hold no words."""
        return b""

    def scans(self, group: int, counter: int, time_s: float, codes: Codes) -> bytes:
        """Give whole records; scans of a record that is not whole are left out."""
        layout = self._layout
        skip = -counter % layout.scans
        count = max(0, len(codes) - skip) // layout.scans
        if not count:
            return b""
        scans = codes[skip : skip + count * layout.scans].reshape(count, layout.scans, -1)
        first = counter + skip + layout.scans * np.arange(count, dtype=np.int64)
        rows = np.zeros((count, layout.size), dtype=np.uint8)
        rows[:, : len(layout.sync)] = np.frombuffer(layout.sync, np.uint8)
        if layout.counter is not None:
            ticks = first if layout.counts_scans else first // layout.scans
            self._put(rows, layout.counter.begin, layout.counter.width, ticks)
        if layout.clock is not None:
            unit_s = 1e-6 if layout.clock.name == "t_us" else 1e-3
            step_s = 1.0 / self.rate_hz if self.rate_hz else 0.0
            ticks = np.round((time_s + (first - counter) * step_s) / unit_s).astype(np.int64)
            self._put(rows, layout.clock.begin, layout.clock.width, ticks)
        for at, field in enumerate(layout.channels):
            for scan in range(layout.scans):
                values = scans[:, scan, at]
                raw = values.astype("<f4").view("<u4") if field.type == "f32" else values
                self._put(rows, field.begin + scan * layout.stride, field.width, raw.astype(np.int64))
        if layout.check_width:
            begin = 0 if layout.check_over_sync else len(layout.sync)
            checks = check_rows(layout.check, rows[:, begin : -layout.check_width])
            self._put(rows, layout.size - layout.check_width, layout.check_width, checks, layout.check_big)
        return rows.tobytes()

    rate_hz: float | None = None
    """Nominal scan rate, for a clock of its own."""

    def _put(
        self,
        rows: NDArray[np.uint8],
        begin: int,
        width: int,
        values: NDArray[np.int64],
        big: bool | None = None,
    ) -> None:
        """Write whole numbers, modulo what the field holds, in its order of bytes."""
        big = self._layout.big if big is None else big
        for byte in range(width):
            place = begin + (width - 1 - byte if big else byte)
            rows[:, place] = (values >> (8 * byte)) & 0xFF

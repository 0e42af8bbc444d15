"""The scans of one group on their way to the disk: tail rows at once, blocks a second later."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.logbook import codec
from livesense.logbook.connection import Statement, plain_text
from livesense.logbook.pyramid import Page, PyramidBuilder
from livesense.samples import Codes, GroupInfo, ScanBlock

MERGE_S = 1.0
"""Scans stay tail rows at least so long …"""

MERGE_SCANS = 1000
"""… and until there are so many; a block of few scans would be mostly overhead."""

MOST_SCANS = 32768
"""With so many they are merged at once: a file that is read in as fast as it goes needs no tail."""

Clock = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Stretch:
    first: int
    codes: Codes
    clock: Clock | None

    @property
    def stop(self) -> int:
        return self.first + len(self.codes)


class GroupWriter:
    """Turns the scans of one group into statements; holds at most a second or so of them."""

    def __init__(self, run: int, number: int, info: GroupInfo) -> None:
        self._run = run
        self._number = number
        self._channels = len(info.channels)
        self._dtype = info.code.dtype
        self.held_as = codec.held_as(self._dtype)
        self._pending: list[_Stretch] = []
        self._in_tail: list[_Stretch] = []
        self._scans = 0
        self._next = 0
        self._merged_s: float | None = None
        self._pyramid = PyramidBuilder()
        self._has_clock = info.clock is not None
        self.block_bytes = 0
        """Of all blocks made so far."""

    @property
    def shape(self) -> tuple[int, int, bool, np.dtype[Any]]:
        """The next scan's index, channels of codes, whether there is a clock, and the codes' type."""
        return self._next, self._channels, self._has_clock, np.dtype(self.held_as)

    def append(self, block: ScanBlock) -> None:
        """Take scans in; see :meth:`RunWriter.append`."""
        codes = block.codes
        if codes.ndim != 2 or codes.shape[1] != self._channels or codes.dtype != self._dtype:
            raise ValueError(
                f"group {self._number}: expected codes of shape (n, {self._channels}) and type {self._dtype},"
                f" got {codes.shape} and {codes.dtype}"
            )
        if block.first < self._next:
            raise ValueError(f"group {self._number}: expected scan {self._next} or later, got {block.first}")
        if block.clock is not None and block.clock.shape != (len(codes),):
            raise ValueError(
                f"group {self._number}: expected {len(codes)} clock ticks, got {block.clock.shape}"
            )
        if len(codes):
            stretch = _Stretch(int(block.first), codes, block.clock)
            self._pending.append(stretch)
            self._scans += len(codes)
            self._next = stretch.stop

    def statements(self, now_s: float, *, force: bool) -> list[Statement]:
        """Say what to write for the scans taken in since the last call."""
        if self._merged_s is None:
            self._merged_s = now_s
        due = self._scans >= MOST_SCANS or (self._scans >= MERGE_SCANS and now_s - self._merged_s >= MERGE_S)
        if self._scans and (due or force):
            self._merged_s = now_s
            return list(self._blocks())
        return list(self._tail())

    def last_pages(self) -> list[Statement]:
        """Write the pyramid's unfinished pages, once the group's last scan is in a block."""
        return [self._page(page) for page in self._pyramid.finish()]

    def _tail(self) -> Iterator[Statement]:
        if not self._pending:
            return
        stretches = _joined(self._pending, _by_scans)
        self._pending = []
        self._in_tail.extend(stretches)
        for stretch in stretches:
            yield from self._first_clock(stretch.clock)
            codes = np.ascontiguousarray(stretch.codes.astype(self.held_as, copy=False))
            clock = None if stretch.clock is None else stretch.clock.astype("<i8").tobytes()
            # A long stretch (a file read at once) never comes here: it is due at once.
            yield (
                "INSERT INTO tail (run, scan_group, first, scans, crc32, codes, clock)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    self._run,
                    self._number,
                    stretch.first,
                    len(codes),
                    codec.crc_of(codes),
                    codes.tobytes(),
                    clock,
                ),
            )

    def _blocks(self) -> Iterator[Statement]:
        if self._in_tail:
            yield "DELETE FROM tail WHERE run = ? AND scan_group = ?", (self._run, self._number)
        stretches = _joined(self._in_tail + self._pending, _by_columns)
        self._in_tail, self._pending, self._scans = [], [], 0
        for stretch in stretches:
            yield from self._first_clock(stretch.clock)
            # Blocks of one length rather than a long and a short one.
            blocks = -(-len(stretch.codes) // codec.BLOCK_SCANS)
            length = -(-len(stretch.codes) // blocks)
            for at in range(0, len(stretch.codes), length):
                part = slice(at, at + length)
                first = stretch.first + at
                codes = stretch.codes[part]
                for position, column in enumerate(codes.T):
                    yield self._block(position, first, codec.encode(column), len(column))
                if stretch.clock is not None:
                    ticks = stretch.clock[part].astype(np.int64)
                    yield self._block(self._channels, first, codec.encode_differences(ticks), len(ticks))
                for page in self._pyramid.add(first, codes):
                    yield self._page(page)

    def _block(self, position: int, first: int, encoded: codec.Encoded, scans: int) -> Statement:
        self.block_bytes += len(encoded.data)
        return block_row(self._run, self._number, position, first, encoded, scans)

    def _page(self, page: Page) -> Statement:
        return (
            "INSERT INTO pyramid (run, scan_group, position, level, first, entries, data)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (self._run, self._number, page.position, page.level, page.first, page.entries, page.data),
        )

    def clock_channel(self, name: str) -> Statement:
        """Write the row of the device's clock, which stands behind the codes."""
        return (
            "INSERT INTO channel (run, scan_group, position, name, shown_name, role, decimals)"
            " VALUES (?, ?, ?, ?, ?, 'clock', 0)",
            (self._run, self._number, self._channels, plain_text(name), plain_text(name)),
        )

    def _first_clock(self, clock: Clock | None) -> Iterator[Statement]:
        if clock is not None and not self._has_clock:
            self._has_clock = True
            yield self.clock_channel("clock")


def block_row(
    run: int, group: int, position: int, first: int, encoded: codec.Encoded, scans: int
) -> Statement:
    """Write one channel's block."""
    return (
        "INSERT INTO block (run, scan_group, position, first, scans, encoding, base, crc32, data)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            run, group, position, first, scans, encoded.encoding, encoded.base, encoded.crc32, encoded.data,
        ),
    )  # fmt: skip


def _joined(stretches: list[_Stretch], join: Callable[[list[Codes]], Codes]) -> list[_Stretch]:
    """Neighbours without a gap between them become one."""
    out: list[_Stretch] = []
    run: list[_Stretch] = []
    for stretch in [*stretches, None]:
        if run and (
            stretch is None
            or stretch.first != run[-1].stop
            or (stretch.clock is None) != (run[-1].clock is None)
        ):
            clocks = [s.clock for s in run if s.clock is not None]
            clock = np.concatenate(clocks) if clocks else None
            out.append(_Stretch(run[0].first, join([s.codes for s in run]), clock))
            run = []
        if stretch is not None:
            run.append(stretch)
    return out


def _by_scans(parts: list[Codes]) -> Codes:
    """Put codes ``(n, k)`` behind each other, scan by scan in memory as a tail row holds them."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _by_columns(parts: list[Codes]) -> Codes:
    """Put codes ``(n, k)`` behind each other, column by column in memory as blocks take them."""
    stops = np.cumsum([len(part) for part in parts]).tolist()
    columns = np.empty((parts[0].shape[1], stops[-1]), dtype=parts[0].dtype)
    for part, stop in zip(parts, stops, strict=True):
        columns[:, stop - len(part) : stop] = part.T
    return columns.T

"""The record wire: bytes of a declared layout, one record after the other, nothing between.

Bytes in, values out. A stretch of whole records is checked and read side by side;
after a failed one the search goes on at the next byte, for all places of the sync
word together. Where the bytes are cut makes no difference to what comes out,
memory is bounded, and no bytes raise an exception.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.layout import RecordField, RecordLayout
from livesense.samples import Codes, FaultKind, GroupInfo, LinkFault, Packets
from livesense.wire.checksum import check_rows

FIRST_LOOK = 256
"""Records checked at once at first; eight times as many each time all of them were good."""

MOST_AT_ONCE = 1 << 14
SEARCHED_AT_ONCE = 1 << 16
CLOCK_MODULUS = 1 << 32
TICKS_PER_S = {"t_us": 1e6, "t_ms": 1e3}

RecordEvent = Packets | LinkFault


class RecordDecoder:
    """Decoder of a declared layout.

    Parameters
    ----------
    layout
        Which bytes are what.
    rate_hz
        Nominal scan rate; tells the clock of the later scans of a record.
    bits
        Width of the ADC's codes, where it is stated.
    """

    def __init__(self, layout: RecordLayout, *, rate_hz: float | None, bits: int | None = None) -> None:
        self._layout = layout
        self._sync = np.frombuffer(layout.sync, dtype=np.uint8)
        # Without a check the next sync word must be there too.
        self._ahead = len(layout.sync) if layout.check == "none" else 0
        self._rest = b""
        self._begin = 0
        self.places: list[tuple[int, int]] = []
        """Of the latest :meth:`feed`: where in the stream (in bytes from the first one ever) each unbroken
        stretch of accepted records begins, and how many it holds."""
        self._joined = False
        """Whether a record was accepted since the stream was joined."""
        self._words = 0
        """Places of the sync word at which no record was right."""
        self._skipped = False
        self._last_tick: tuple[int, int] | None = None
        """Raw and extended value of a clock narrower than 32 bits."""
        self._group = GroupInfo(
            rate_hz=rate_hz,
            code=layout.code,
            bits=bits,
            channels=tuple(channel.name for channel in layout.channels),
            clock=layout.clock.name if layout.clock else None,
        )

    @property
    def groups(self) -> tuple[GroupInfo, ...]:
        """The one group."""
        return (self._group,)

    @property
    def kept(self) -> int:
        """Bytes held until more come: less than a record and a sync word."""
        return len(self._rest)

    @property
    def misfit(self) -> str:
        """Why no record was accepted, in words: what came, what was declared."""
        layout = self._layout
        word = layout.sync.hex(" ").upper()
        if layout.sync and not self._words:
            came = f"the sync word {word} never came"
        elif layout.check == "none":
            came = f"the sync word {word} came, but never twice {layout.size} bytes apart"
        else:
            came = f"the check {layout.check} was never right" + (
                f" behind the sync word {word}, which came {self._words}×" if word else ""
            )
        return f"{came}; declared are {layout.told}"

    def feed(self, data: bytes) -> list[RecordEvent]:
        """Take bytes from the line.

        Returns
        -------
        list
            What they hold; stretches of skipped bytes that ended here are counted in front.
        """
        buffer = self._rest + data
        raw = np.frombuffer(buffer, dtype=np.uint8)
        size = self._layout.size
        faults = 0
        stretches: list[NDArray[np.uint8]] = []
        self.places = []
        at = 0
        while True:
            whole = max(0, (len(raw) - at - self._ahead) // size)
            good = self._good(raw, at, whole)
            if good:
                faults += self._skipped and self._joined
                self._joined, self._skipped = True, False
                stretches.append(raw[at : at + good * size].reshape(good, size))
                self.places.append((self._begin + at, good))
                at += good * size
            if good == whole:
                break
            self._skipped = True
            at, found = self._search(raw, at + 1)
            if not found:
                break
        self._rest = buffer[at:]
        self._begin += at
        events: list[RecordEvent] = [LinkFault(FaultKind.BAD_RECORD, faults)] if faults else []
        if stretches:
            events.append(self._packets(stretches[0] if len(stretches) == 1 else np.concatenate(stretches)))
        return events

    def rejoin(self) -> None:
        """Forget the unfinished record: the line was interrupted, and is joined anew."""
        self._begin += len(self._rest)
        self._rest = b""
        self._joined = self._skipped = False

    def finish(self) -> list[RecordEvent]:
        """End the stream; an unfinished record is dropped and not counted."""
        self.rejoin()
        return []

    def _good(self, raw: NDArray[np.uint8], at: int, whole: int) -> int:
        """How many of the next whole records are right, up to the first that is not."""
        size = self._layout.size
        done, look = 0, FIRST_LOOK
        while done < whole:
            count = min(look, whole - done)
            begin = at + done * size
            right = self._right(raw, np.arange(begin, begin + count * size, size), even=True)
            if not right.all():
                return done + int(np.argmin(right))
            done += count
            look = min(8 * look, MOST_AT_ONCE)
        return done

    def _right(self, raw: NDArray[np.uint8], at: NDArray[np.int64], *, even: bool) -> NDArray[np.bool_]:
        """Whether records are right that begin at these places; ``even`` places follow each other."""
        layout = self._layout
        size = layout.size
        if even:
            rows = raw[at[0] : at[0] + len(at) * size].reshape(-1, size)
        else:
            windows = np.ndarray((len(raw) - size + 1, size), np.uint8, raw, strides=(1, 1))
            rows = windows[at]
        length = len(self._sync)
        right: NDArray[np.bool_] = (rows[:, :length] == self._sync).all(axis=1)
        if self._ahead:
            right &= (raw[at[:, np.newaxis] + (size + np.arange(length))] == self._sync).all(axis=1)
        elif right.any():
            end = size - layout.check_width
            stated = _whole(rows, RecordField("", "", end, layout.check_width), big=layout.check_big)
            covered = 0 if layout.check_over_sync else length
            right &= check_rows(layout.check, rows[:, covered:end]) == stated
        return right

    def _search(self, raw: NDArray[np.uint8], at: int) -> tuple[int, bool]:
        """Find the next right record from ``at`` on; else the first place that more bytes may complete."""
        need = self._layout.size + self._ahead
        last = len(raw) - need
        length = len(self._sync)
        while at <= last:
            count = min(SEARCHED_AT_ONCE, last + 1 - at)
            begins = np.ones(count, dtype=np.bool_)
            for place, byte in enumerate(self._sync.tolist()):
                begins &= raw[at + place : at + place + count] == byte
            places = np.flatnonzero(begins) + at
            self._words += len(places)
            done, look = 0, 8
            while done < len(places):
                some = places[done : done + look]
                right = self._right(raw, some, even=False)
                if right.any():
                    return int(some[np.argmax(right)]), True
                done += look
                look = min(4 * look, 4096)
            at += count
        for place in range(at, len(raw)):
            there = min(length, len(raw) - place)
            if (raw[place : place + there] == self._sync[:there]).all():
                return place, False
        return len(raw), False

    def _packets(self, rows: NDArray[np.uint8]) -> Packets:
        layout = self._layout
        count, scans = len(rows), layout.scans
        rows = np.ascontiguousarray(rows)
        codes: Codes = np.empty((count * scans, len(layout.channels)), dtype=layout.code.dtype)
        # Some floats that are no number make the processor complain as they are widened.
        with np.errstate(invalid="ignore"):
            for position, channel in enumerate(layout.channels):
                codes[:, position] = _values(rows, channel, layout).reshape(-1)
        first = None
        if layout.counter is not None:
            first = _whole(rows, layout.counter, big=layout.big) * layout.scans_per_count
        counted = count if first is not None else 1
        return Packets(
            group=np.zeros(counted, dtype=np.int64),
            first=first,
            count=np.full(counted, count * scans // counted, dtype=np.int64),
            codes={0: codes},
            clock=None if layout.clock is None else self._ticks(rows, layout.clock),
        )

    def _ticks(self, rows: NDArray[np.uint8], clock: RecordField) -> NDArray[np.int64]:
        """Ticks of each scan, modulo 2^32: stated for a record's first, by the nominal rate after it."""
        raw = _whole(rows, clock, big=self._layout.big)
        if clock.width < 4:
            modulus = 1 << (8 * clock.width)
            last_raw, last = self._last_tick or (int(raw[0]), int(raw[0]))
            steps = np.diff(raw, prepend=last_raw) % modulus
            extended = last + np.cumsum(steps)
            self._last_tick = int(raw[-1]), int(extended[-1])
            raw = extended
        later = np.zeros(self._layout.scans)
        if self._group.rate_hz:
            later += np.arange(self._layout.scans) * (TICKS_PER_S[clock.name] / self._group.rate_hz)
        ticks: NDArray[np.int64] = (raw[:, np.newaxis] + np.rint(later).astype(np.int64)).reshape(-1)
        return ticks % CLOCK_MODULUS


def _whole(rows: NDArray[np.uint8], one: RecordField, *, big: bool) -> NDArray[np.int64]:
    """Unsigned value of a field that stands once, ``(records,)``."""
    columns = range(one.begin, one.begin + one.width)
    value = np.zeros(len(rows), dtype=np.int64)
    for column in columns if big else reversed(columns):
        value <<= 8
        value |= rows[:, column]
    return value


def _values(rows: NDArray[np.uint8], one: RecordField, layout: RecordLayout) -> NDArray[Any]:
    """Read a channel's codes, ``(records, scans)``, where they stand."""
    shape, strides = (len(rows), layout.scans), (layout.size, layout.stride)

    def column(kind: str, begin: int) -> NDArray[Any]:
        return np.ndarray(shape, kind, rows, offset=begin, strides=strides)

    order = ">" if layout.big else "<"
    if one.width != 3:
        return column(f"{order}{one.type[0]}{one.width}", one.begin)
    places = [one.begin, one.begin + 1, one.begin + 2]
    top, middle, low = places if layout.big else reversed(places)
    value = column("i1" if one.type[0] == "i" else "u1", top).astype(np.int32) << 16
    value |= column("u1", middle).astype(np.int32) << 8
    value |= column("u1", low)
    return value

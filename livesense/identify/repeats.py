"""How many scans one record holds: fields of one channel go on from each other, those of others do not."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import FoundField, Rows, numbers, typical

LEAST_MOVED = 0.05
"""Codes; smaller movement is none."""

SAVED_BITS = 16.0
"""Bits that a field less takes less to describe; and the square root of the records, chance's share."""

LEAST_TOLD_BITS = 0.5
"""Bits for each record by which scans that do not take in all fields must be told."""

COUNTED_BITS = 200.0
"""Bits that a field tells which goes up by the number of scans."""

AGAINST_BITS = 2.0
"""Bits for each record by which scans may seem worse than none, where nothing but noise moves."""

CLEAR_BITS = 12.0
"""Bits that all records together must tell for one number of scans, beyond what chance does."""

NEARLY = 0.6
"""Of what the best number of scans tells another one tells so much only where the signal's speed deceives."""

MANY_CHANNELS, WAVES = 4, 0.05
"""Channels that may be fewer, and the share of their power that sines must leave untold then."""

UNEVEN = 2.5
"""By so much may a channel go further from record to record than from scan to scan."""

PLANAR_BITS = 0.5
"""Bits for each field of a record by which channels that come one after the other must be told."""

CONTINUOUS = 0.8
"""Movement from scan to scan, by what it would be without any order, that shows a signal."""


@dataclass(frozen=True, slots=True)
class Block:
    """Fields that repeat: ``scans`` times ``period`` of them, from number ``first`` on.

    ``gain`` is what all records together tell for it, in bits; ``saved`` the part of it that is not
    told by how the fields move. ``planar`` is how many values of a channel stand beside each other, where
    the channels come one after the other instead: then nothing repeats.
    """

    first: int
    period: int
    scans: int
    gain: float = 0.0
    saved: float = 0.0
    planar: int = 0

    @property
    def size(self) -> int:
        """Fields that it has."""
        return self.period * self.scans


def find_block(
    rows: Rows, fields: Sequence[FoundField], counted: Sequence[int] = (), *, big: bool
) -> tuple[Block, bool]:
    """Find the channel fields that are several scans.

    ``counted`` are steps above one of fields that count: so many scans may have passed.

    Returns
    -------
    block, clear
        ``scans`` is 1 where nothing repeats; ``clear`` says whether no other block would do nearly as well.
    """
    channels = [(n, found) for n, found in enumerate(fields) if found.role == "channel"]
    none = Block(0, max(1, len(channels)), 1)
    if len(channels) < 2:
        return none, True
    movement = _Movement([numbers(rows, found, big=big) for found in alike([f for _, f in channels])])
    packed = [found.begin + found.width == after.begin for (_, found), (_, after) in pairwise(channels)]
    blocks = [none, *_blocks([found for _, found in channels], packed, movement)]
    blocks = [_with_count(one, counted, len(rows)) for one in blocks]
    least = LEAST_TOLD_BITS * len(rows)
    blocks.sort(key=lambda block: -block.gain)
    # Fields outside are left out: that must be worth it.
    best = next(
        one
        for one in blocks
        if one.size == len(channels) or one.scans == 1 or one.gain - one.saved > least or one.scans in counted
    )
    planar = _planar([found for _, found in channels], movement, best)
    if planar:
        return replace(none, planar=planar), True
    if best.scans > 1 and best.period == 1 and not movement.continuous(best):
        return none, False
    rivals = [other for other in blocks if other is not best and not _within(other, best)]
    clear = CLEAR_BITS + 2.0 * math.sqrt(len(rows) * len(channels))
    near = best.scans not in counted and (
        any(_deceives(other, best, least) for other in rivals)
        or movement.fewer_waves(best)
        or not movement.even(best)
    )
    return best, not near and all(best.gain - other.gain > clear for other in rivals)


def _planar(channels: Sequence[FoundField], movement: _Movement, best: Block) -> int:
    """Tell how many values of each channel stand beside each other; 0 where channels do not come so."""
    count, kinds = len(channels), [one.width for one in channels]
    gains: dict[int, float] = {}
    for values in range(3, count // 2 + 1):
        if count % values or len(set(kinds)) > 1:
            continue
        starts = range(0, count, values)
        saved = movement.saved * (values - 1) * len(starts)
        gains[values] = sum(movement.gain(first, 1, values) for first in starts) + saved
    values = max(gains, key=gains.__getitem__, default=0)
    # The scans of one channel, all of them, are that as well.
    least = best.gain + CLEAR_BITS + 2.0 * math.sqrt(movement.records * count)
    return values if values and gains[values] > max(least, movement.records * count * PLANAR_BITS) else 0


def _deceives(other: Block, best: Block, least: float) -> bool:
    """Whether other scans of the same fields may be the true ones, worse by the speed of the signal only.

    Where some scans on the next channel is where this one was, more channels look smoother than they are.
    """
    if not 1 < other.scans or not 1 < best.scans or other.size != best.size:
        return False
    told, best_told = other.gain - other.saved, best.gain - best.saved
    return told > (-least if other.period < best.period else NEARLY * max(0.0, best_told))


def _with_count(block: Block, counted: Sequence[int], records: int) -> Block:
    """Add what a field tells that goes up by the number of scans: all there is to tell at rest."""
    if block.scans == 1 or block.scans not in counted:
        return block
    # Other fields than those of one channel speak against it by tens of bits a record.
    fits = block.gain - block.saved > -AGAINST_BITS * records
    return replace(block, gain=block.gain + COUNTED_BITS + (2 * AGAINST_BITS * records if fits else 0.0))


def alike(channels: Sequence[FoundField]) -> list[FoundField]:
    """Give channels of one width one sign, that of most of them: where a scan is wild, either fits."""
    found = []
    for one in channels:
        same = [other.type[0] for other in channels if other.width == one.width and other.type != "f32"]
        sign = max("ui", key=same.count)
        found.append(one if one.type == "f32" else replace(one, type=sign + one.type[1:]))
    return found


def _within(other: Block, best: Block) -> bool:
    """Whether a block is a part of the best one: that it does well too is no doubt of the best."""
    return (
        other.scans > 1
        and other.period % best.period == 0
        and best.first <= other.first
        and other.first + other.period * other.scans <= best.first + best.period * best.scans
    )


def _blocks(channels: Sequence[FoundField], packed: Sequence[bool], movement: _Movement) -> Iterator[Block]:
    count = len(channels)
    kinds = [("f" if found.type == "f32" else "") + str(found.width) for found in channels]
    for period in range(1, count // 2 + 1):
        for first in range(count - 2 * period + 1):
            for scans in range(2, (count - first) // period + 1):
                end = first + period * scans
                newest = range(end - period, end)
                if any(kinds[n] != kinds[n - period] for n in newest) or not all(packed[first : end - 1]):
                    break
                saved = movement.saved * period * (scans - 1)
                yield Block(first, period, scans, movement.gain(first, period, scans) + saved, saved)


class _Movement:
    """How far fields move from each other, within a record and to the next one."""

    def __init__(self, values: list[NDArray[np.float64]]) -> None:
        self._values = values
        self._within: dict[tuple[int, int], float] = {}
        scale = max(typical(np.diff(value)) for value in values)
        # Floats have no codes: what counts as no movement there is judged by the most that moves.
        whole = all((value == np.rint(value)).all() for value in values[:4])
        self._least = LEAST_MOVED if whole else 1e-3 * scale + 1e-12
        self._alone = [self._bits(typical(np.diff(value))) for value in values]

    def _bits(self, moved: float) -> float:
        return math.log2(moved + self._least)

    def _between(self, one: int, other: int) -> float:
        """Movement from a field to another of the same record, or of the next where that stands before it."""
        if (one, other) not in self._within:
            here, there = self._values[one], self._values[other]
            moved = there - here if other > one else there[1:] - here[:-1]
            self._within[one, other] = typical(moved)
        return self._within[one, other]

    def _chain(self, begin: int, period: int, scans: int) -> float:
        """Mean movement from scan to scan of one channel."""
        last = begin + period * (scans - 1)
        moved = sum(self._between(n, n + period) for n in range(begin, last, period))
        return (moved + self._between(last, begin)) / scans

    def gain(self, first: int, period: int, scans: int) -> float:
        """Bits that all records together take less when these fields are scans."""
        told = 0.0
        for begin in range(first, first + period):
            bits = self._bits(self._chain(begin, period, scans))
            told += sum(self._alone[begin + n * period] - bits for n in range(scans))
        return told * len(self._values[0])

    @property
    def records(self) -> int:
        """Records looked at."""
        return len(self._values[0])

    @property
    def saved(self) -> float:
        """Bits that one field less saves."""
        return SAVED_BITS + math.sqrt(len(self._values[0]))

    def even(self, block: Block) -> bool:
        """Whether it goes as far from the last scan to the next record as from scan to scan.

        Two sets of channels that show the same hardly move from one to the other.
        """
        within = onwards = self._least
        for begin in range(block.first, block.first + block.period):
            last = begin + block.period * (block.scans - 1)
            steps = [self._between(n, n + block.period) for n in range(begin, last, block.period)]
            within += sum(steps) / max(1, len(steps))
            onwards += self._between(last, begin) if steps else 0.0
        return onwards < UNEVEN * within

    def fewer_waves(self, block: Block) -> bool:
        """Whether many channels may be fewer that are sines: where a scan lands near one of long before.

        A sine is told by its last two values. So are three phases, one after the other, at any one time.
        """
        if block.scans < 2 or block.period < MANY_CHANNELS:
            return False
        values = np.stack(self._values[block.first : block.first + block.size], axis=1)
        for period in (n for n in range(1, block.period) if block.size % n == 0 and block.size // n > 2):
            left = of = 0.0
            for channel in range(period):
                wave = values[:, channel::period] - values[:, channel::period].mean()
                told = np.stack([wave[:, 1:-1].ravel(), wave[:, :-2].ravel()], axis=1)
                now = wave[:, 2:].ravel()
                off = now - told @ np.linalg.lstsq(told, now, rcond=None)[0]
                left, of = left + float(off @ off), of + float(now @ now)
            if left < WAVES * of:
                return True
        return False

    def continuous(self, block: Block) -> bool:
        """Whether channels go on from scan to scan, rather than being noise about one level."""
        for begin in range(block.first, block.first + block.period):
            fields = range(begin, begin + block.period * block.scans, block.period)
            pooled = np.concatenate([self._values[n] for n in fields])
            mixed = typical(pooled - np.random.default_rng(0).permutation(pooled))
            if self._chain(begin, block.period, block.scans) < CONTINUOUS * mixed:
                return True
        return False

"""Which fields the bytes of a record are made of, told from how each column of bytes moves.

A field read right moves little from record to record; read with the wrong width or
byte order, its low bytes land where high ones belong and it jumps about. So every way
to cut a record into fields has a price, the bits that the movement of each field would
take to write down, and the cheapest cut is taken. Prices are estimates by the mean
size of what a simple prediction leaves (a Laplace distribution of that mean has
``log2(2·e·mean)`` bits of entropy; textbook formula, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.uint8]
"""``(records, bytes)``"""

STEADY = 0.9
"""Share of records in which a byte or a step must be the same to count as constant."""

_FIELD_BITS = {1: 1.2, 2: 1.0, 3: 1.4, 4: 1.2}
"""Price of one more field by its width in bytes: few wide fields are likelier than many narrow ones."""

_FLOAT_BITS = 15.0
"""Price of a float: what its mantissa's noise would take anyway."""

_CHANGE_BITS = 2.5
"""Price of a field of another kind than the one before: the channels of a record are mostly alike."""

_WILD_BITS = 1.5
"""Price of a wide field that moves all over its range: nothing speaks for its width."""

WILD = 0.95
"""Share of its bits that a field's movement takes when nothing in it can be predicted."""

_PAD_BITS = 1.6
_IDLE_TOP_BITS = 1.5
"""Price of a wide field whose top bytes hardly ever move: they may be a pad or a state of their own."""
_UNEVEN_LOW_BITS = 6.0
"""Price of four bytes whose lower half is wild, but not evenly spread: it is rather a signal of its own."""
_IDLE_LOW_BITS = 5.0
"""Price of a field whose lowest byte never moves while higher ones do."""

FLOAT_SMALLEST, FLOAT_LARGEST = 1e-6, 1e6
"""Magnitudes that a measured value in its unit has; integers read as floats lie far outside."""


@dataclass(frozen=True, slots=True)
class FoundField:
    """One field of a record: where it begins, its type as in a bench file, what it seems to be.

    ``role`` is "counter", "clock", "channel" or "pad".
    """

    begin: int
    type: str
    width: int
    role: str


def whole(rows: Rows, begin: int, width: int, *, big: bool) -> NDArray[np.int64]:
    """Unsigned value of a field in each record, ``(records,)``."""
    order = range(begin, begin + width) if big else range(begin + width - 1, begin - 1, -1)
    value = np.zeros(len(rows), dtype=np.int64)
    for column in order:
        value = (value << 8) | rows[:, column]
    return value


def signed(value: NDArray[np.int64], width: int) -> NDArray[np.int64]:
    """Read the same bits as two's complement."""
    half = np.int64(1 << (8 * width - 1))
    return (value ^ half) - half


def _steps(value: NDArray[np.int64], width: int) -> NDArray[np.int64]:
    """Give steps between records, around a full turn the short way."""
    return signed(np.diff(value) & ((1 << (8 * width)) - 1), width)


def constant(column: NDArray[np.uint8]) -> bool:
    """Whether a byte stays the same in nearly all records."""
    return bool(np.bincount(column, minlength=256).max() >= STEADY * len(column))


def usual_step(value: NDArray[np.int64], width: int) -> int | None:
    """Give the step that a field makes in nearly every record; None where there is none, or it is 0."""
    steps = _steps(value, width)
    if not len(steps):
        return None
    values, counts = np.unique(steps, return_counts=True)
    best = int(np.argmax(counts))
    return int(values[best]) if counts[best] >= STEADY * len(steps) and values[best] != 0 else None


def _movement_bits(value: NDArray[np.int64], width: int) -> float:
    steps = _steps(value, width).astype(np.float64)
    if len(steps) < 3:
        return 8.0 * width
    first = _typical(steps - np.median(steps))
    second = _typical(np.diff(steps))
    return min(8.0 * width, math.log2(1.0 + 2.0 * math.e * min(first, second)))


def _typical(left: NDArray[np.float64]) -> float:
    """Mean size without the few largest: records are lost, states change."""
    size = np.sort(np.abs(left))
    return float(size[: max(1, len(size) * 197 // 200)].mean())


def floats(rows: Rows, begin: int, *, big: bool) -> NDArray[np.float32]:
    """Read four bytes as IEEE 754 single precision, ``(records,)``."""
    four = np.ascontiguousarray(rows[:, begin : begin + 4])
    return four.view(">f4" if big else "<f4")[:, 0]


def looks_float(rows: Rows, begin: int, *, big: bool) -> bool:
    """Whether four bytes are plausible as a float in some unit, and odd as anything else."""
    with np.errstate(invalid="ignore"):
        size = np.abs(floats(rows, begin, big=big).astype(np.float64))
    plausible = (size == 0) | ((size >= FLOAT_SMALLEST) & (size <= FLOAT_LARGEST))
    if np.count_nonzero(plausible) < 0.98 * len(size) or np.count_nonzero(size) < 0.5 * len(size):
        return False
    # The low half of a mantissa is noise through and through, or nothing at all.
    low = whole(rows, begin + 2 if big else begin, 2, big=big)
    if not low.any():
        return True
    return _movement_bits(low, 2) > 15.0 and _even(low)


def _even(low: NDArray[np.int64]) -> bool:
    """Whether 16-bit values are spread evenly, as the lower half of something larger is."""
    counts = np.bincount(low >> 13, minlength=8) / (len(low) / 8)
    return bool(counts.min() > 0.5 and counts.max() < 1.6)


def find_counter(rows: Rows, begin: int, end: int, *, big: bool) -> FoundField | None:
    """Find the widest field that goes up by one from record to record."""
    for column in range(begin, end):
        if usual_step(rows[:, column].astype(np.int64), 1) != 1:
            continue
        low = column
        width = 1
        for wider in (2, 4):
            first = low - wider + 1 if big else low
            if first < begin or first + wider > end:
                continue
            value = whole(rows, first, wider, big=big)
            if usual_step(value, wider) != 1:
                continue
            tops = value >> 8
            wraps = np.diff(rows[:, low].astype(np.int64)) < 0
            carried = np.diff(tops) == 1
            still = np.diff(tops) == 0
            if wraps.any():
                # Higher bytes that belong to it go up where the lowest wraps, and only there.
                if np.mean(carried[wraps]) > 0.7 and np.mean(still[~wraps]) > 0.97:
                    width = wider
            elif not tops.any():
                width = wider
        first = low - width + 1 if big else low
        return FoundField(first, f"u{8 * width}", width, "counter")
    return None


def find_clock(rows: Rows, begin: int, end: int, taken: set[int], *, big: bool) -> FoundField | None:
    """Find a 32-bit (or else 16-bit) field that goes up by nearly the same amount each record."""
    for width in (4, 2):
        for first in range(begin, end - width + 1):
            if taken & set(range(first, first + width)):
                continue
            value = whole(rows, first, width, big=big)
            steps = _steps(value, width)
            middle = float(np.median(steps))
            if middle < 2 or middle > (1 << (8 * width)) / 64:
                continue
            near = np.abs(steps - middle) <= max(1.0, 0.2 * middle)
            low = first + width - 1 if big else first
            travelled = float(np.sum(steps[near]))
            if np.count_nonzero(near) < STEADY * len(steps) or constant(rows[:, low]):
                continue
            # A slow ramp of one channel does this for a while; a clock does it all the time.
            if travelled >= max(1024.0, 64 * middle):
                return FoundField(first, f"u{8 * width}", width, "clock")
    return None


def cut(rows: Rows, begin: int, end: int, *, big: bool) -> tuple[float, list[FoundField]]:
    """Cut columns ``begin … end − 1`` into channel fields and pads, at the lowest price."""
    still = [constant(rows[:, column]) for column in range(end)]
    idle = [_hardly_moves(rows[:, column]) for column in range(end)]
    reached: list[dict[str, tuple[float, list[FoundField]]]] = [{} for _ in range(end + 1)]
    reached[begin][""] = (0.0, [])
    for at in range(begin, end):
        if not reached[at]:
            continue
        for found, cost in _choices(rows, at, end, still, idle, big=big):
            kind = found.type if found.type == "f32" else str(found.width)
            for before, (price, fields) in reached[at].items():
                same = before if found.role == "pad" else kind
                total = price + cost + (_CHANGE_BITS if before and same != before else 0.0)
                there = reached[at + found.width]
                if same not in there or total < there[same][0] - 1e-9:
                    there[same] = (total, [*fields, found])
    price, fields = min(reached[end].values(), key=lambda one: one[0])
    return price, _quiet_channels(_widened(fields, rows, big=big))


def _quiet_channels(fields: list[FoundField]) -> list[FoundField]:
    """Bytes that never change between channels alike are rather channels that stand still than pads."""
    found: list[FoundField] = []
    for number, one in enumerate(fields):
        before = fields[number - 1] if number else None
        after = fields[number + 1] if number + 1 < len(fields) else None
        if (
            one.role == "pad"
            and before is not None
            and after is not None
            and before.role == after.role == "channel"
            and before.width == after.width
            and one.width % before.width == 0
        ):
            width = before.width
            found += [
                FoundField(at, f"u{8 * width}", width, "channel")
                for at in range(one.begin, one.begin + one.width, width)
            ]
        else:
            found.append(one)
    return found


def _widened(fields: list[FoundField], rows: Rows, *, big: bool) -> list[FoundField]:
    """Where each channel stands beside zeros of one width, those are its own unused high bytes."""
    pairs = [fields[n : n + 2] for n in range(0, len(fields), 2)]
    if len(fields) < 4 or len(fields) % 2:
        return fields
    found = []
    for pair in pairs:
        pad, channel = pair if big else pair[::-1]
        if pad.role != "pad" or channel.role != "channel" or channel.type[0] == "f":
            return fields
        width = pad.width + channel.width
        if width not in (2, 4) or rows[:, pad.begin : pad.begin + pad.width].any():
            return fields
        found.append(FoundField(pair[0].begin, f"u{8 * width}", width, "channel"))
    return found if len({one.width for one in found}) == 1 else fields


def _hardly_moves(column: NDArray[np.uint8]) -> bool:
    return bool(np.count_nonzero(np.diff(column)) <= 0.02 * len(column))


def _choices(
    rows: Rows, at: int, end: int, still: list[bool], idle: list[bool], *, big: bool
) -> Iterator[tuple[FoundField, float]]:
    run = 0
    while at + run < end and still[at + run]:
        run += 1
        yield FoundField(at, f"pad{run}", run, "pad"), _PAD_BITS
    for width, price in _FIELD_BITS.items():
        if at + width > end or all(still[at : at + width]):
            continue
        value = whole(rows, at, width, big=big)
        cost = price + _movement_bits(value, width)
        top, low = (at, at + width - 1) if big else (at + width - 1, at)
        next_top = at + 1 if big else at + width - 2
        if (width == 3 and idle[top]) or (width == 4 and idle[top] and idle[next_top]):
            cost += _IDLE_TOP_BITS
        if width == 4:
            half = whole(rows, at + 2 if big else at, 2, big=big)
            upper = whole(rows, at if big else at + 2, 2, big=big)
            if _movement_bits(upper, 2) > 5.0 and _movement_bits(half, 2) > 13.0 and not _even(half):
                cost += _UNEVEN_LOW_BITS
        if width > 2 and cost - price > WILD * 8 * width:
            cost += _WILD_BITS
        if width > 1 and still[low]:
            cost += _IDLE_LOW_BITS
        if width == 4 and looks_float(rows, at, big=big):
            yield FoundField(at, "f32", 4, "channel"), price + _FLOAT_BITS
            continue
        negative = np.count_nonzero(signed(value, width) < 0)
        # Codes from zero up to their full scale never jump from the top to the bottom.
        kind = "i" if negative and _spans_zero(value, width) else "u"
        yield FoundField(at, f"{kind}{8 * width}", width, "channel"), cost


def _spans_zero(value: NDArray[np.int64], width: int) -> bool:
    """Whether the values lie on both sides of a signed zero, closer to it than to the signed ends."""
    as_signed = signed(value, width).astype(np.float64)
    return bool(as_signed.max() - as_signed.min() <= float(value.max() - value.min()))


def wild(rows: Rows, fields: list[FoundField], *, big: bool) -> bool:
    """Whether most channel fields move all over their range, so that their width is a guess."""
    channels = [found for found in fields if found.role == "channel" and found.type != "f32"]
    count = sum(
        _movement_bits(whole(rows, found.begin, found.width, big=big), found.width) > WILD * 8 * found.width
        for found in channels
    )
    return count > len(channels) / 2


UNCLEAR = 2.0
"""Two ways to part a record into scans are not told apart when one leaves less than so much more movement."""


def repeats(rows: Rows, fields: list[FoundField], *, big: bool) -> tuple[int, bool]:
    """Tell how many scans one record holds, and whether another number would do nearly as well.

    Returns
    -------
    scans, clear
        How often the alike channel fields repeat.
    """
    channels = [found for found in fields if found.role == "channel"]
    packed = all(b.begin == a.begin + a.width for a, b in pairwise(channels))
    if len(channels) < 2 or len({(f.width, f.type == "f32") for f in channels}) != 1 or not packed:
        return 1, True
    value = np.column_stack([_number(rows, found, channels, big=big) for found in channels])
    total = len(channels)
    left = {}
    for scans in range(1, total + 1):
        if total % scans == 0:
            by_channel = value.reshape(len(rows) * scans, total // scans)
            steps = np.diff(by_channel, axis=0)
            first = [_typical(column) for column in steps.T]
            second = [_typical(column) for column in np.diff(steps, axis=0).T]
            left[scans] = float(np.mean(np.minimum(first, second)))
    # Channels that were different ones, read as one after the other, would jump to and fro.
    nearest = min(left.values())
    best = max(scans for scans, size in left.items() if size <= 1.15 * nearest)
    others = [size for scans, size in left.items() if scans > best]
    return best, all(size > UNCLEAR * left[best] for size in others)


def _number(rows: Rows, found: FoundField, alike: list[FoundField], *, big: bool) -> NDArray[np.float64]:
    if found.type == "f32":
        return np.nan_to_num(floats(rows, found.begin, big=big).astype(np.float64))
    value = whole(rows, found.begin, found.width, big=big)
    if any(other.type.startswith("i") for other in alike):
        value = signed(value, found.width)
    return value.astype(np.float64)

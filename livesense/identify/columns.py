"""What each column of bytes of a record may be, and at what price.

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
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from livesense.identify.tickers import steps_of, ticks

Rows = NDArray[np.uint8]
"""``(records, bytes)``"""

STEADY = 0.995
"""Share of records in which a byte must be the same to count as constant; the rest may be damage."""

STRETCHES = 4
MOST_ROWS = 1024
"""Records that prices are reckoned from."""

_FIELD_BITS = {1: 1.2, 2: 1.0, 3: 1.4, 4: 1.2}
"""Price of one more field by its width in bytes: few wide fields are likelier than many narrow ones."""

_TICKER_BITS = 0.6
"""Price of a field that goes up by the same amount: nothing in it needs to be told."""

_FULL_TOP_BITS = 0.8
"""Price of each of its high bytes that stands still but is not zero: it may be what stands beside it."""

MARKS = frozenset(
    b"\xa5\x5a\xaa\x55\x7e\xfe\xed\xde\xad\xbe\xef\xab\xcd\xca\xfa\xba\xb5\x62\x96\x69\xc3\x3c\xeb\x90\x1a\xcf\xfc\xc0\x24"
)
"""Bytes of which sync words are usually made (common practice, no source): much change, rarely 0 or 255.

A line end that closes each record stands in front of the next one's word.
"""

_FLOAT_BITS = 15.0
"""Highest price of a float: what its mantissa's noise would take anyway."""

_WILD_BITS = 1.5
"""Price of a wide field that moves all over its range: nothing speaks for its width."""

WILD = 0.95
"""Share of its bits that a field's movement takes when nothing in it can be predicted."""

PAD_BITS = 1.6
_PAD_ODD_BITS = 1.5
"""Price of spare bytes that are not empty: they are rather the high bytes of something quiet."""
_IDLE_TOP_BITS = 1.5
"""Price of a wide field whose top bytes hardly ever move: they may be a pad or a state of their own."""
_ODD_TOP_BITS = 3.0
_STATE_TOP_BITS, MOST_STATES = 3.0, 4
"""Price of a field that takes few values, but whose high byte is always the same and not empty."""
_IDLE_LOW_BITS = 5.0
"""Price of a field whose lowest byte never moves while higher ones do."""

_LOOSE_TOP_BITS = 6.0
"""Price of a field whose high bytes change where the low ones do not carry: a state stands there."""
_SIGN_BITS = 1.2
_COUNTER_INSIDE_BITS = 8.0
"""Price of a field one of whose bytes counts, though the field does not."""

FEWEST_CHANGES = 4
"""Of high bytes on their own, before they are taken for another field."""

FEWEST_SPREAD, SEVERAL = 256, 4.0
"""Records, and steps of the upper half, from which the lower half of a number is spread evenly."""

NEAR_ENDS = 16
"""Part of the way that a signal goes within which it may clip."""

FLOAT_SMALLEST, FLOAT_LARGEST = 1e-6, 1e6
"""Magnitudes that a measured value in its unit has; integers read as floats lie far outside."""


@dataclass(frozen=True, slots=True)
class FoundField:
    """One field of a record: where it begins, its type as in a bench file, what it seems to be.

    ``role`` is "counter", "clock", "channel" or "pad"; "ticker" until counter and clock are told apart.
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


def numbers(rows: Rows, found: FoundField, *, big: bool) -> NDArray[np.float64]:
    """Values of a field by its type, ``(records,)``; no number counts as zero."""
    if found.type == "f32":
        with np.errstate(invalid="ignore"):
            return np.nan_to_num(floats(rows, found.begin, big=big).astype(np.float64))
    value = whole(rows, found.begin, found.width, big=big)
    if found.type.startswith("i"):
        value = signed(value, found.width)
    return value.astype(np.float64)


def constant(column: NDArray[np.uint8]) -> bool:
    """Whether a byte stays the same in nearly all records."""
    return bool(np.bincount(column, minlength=256).max() >= STEADY * len(column))


def movement_bits(value: NDArray[np.int64], width: int) -> float:
    """Bits that the movement of a field takes from record to record, around a full turn the short way."""
    steps = signed(np.diff(value) & ((1 << (8 * width)) - 1), width).astype(np.float64)
    return min(8.0 * width, _bits_of_steps(steps)) if len(steps) > 2 else 8.0 * width


def wild(value: NDArray[np.int64], width: int) -> bool:
    """Whether a field moves all over its range."""
    return movement_bits(value, width) > WILD * 8 * width


def _bits_of_steps(steps: NDArray[np.float64]) -> float:
    first = typical(steps - np.median(steps))
    second = typical(np.diff(steps))
    return math.log2(1.0 + 2.0 * math.e * min(first, second))


def _wave_bits(value: NDArray[np.float64]) -> float:
    """Bits of a wave beyond what its last two values tell: they tell a sine, but for its noise."""
    x = value - value.mean()
    now, last, before = x[2:], x[1:-1], x[:-2]
    a, b, c = float(last @ last), float(last @ before), float(before @ before)
    p, q = float(last @ now), float(before @ now)
    down = a * c - b * b
    if down <= 1e-9 * a * c:
        return math.inf
    left = now - (p * c - q * b) / down * last - (q * a - p * b) / down * before
    return math.log2(1.0 + 2.0 * math.e * typical(left))


def typical(left: NDArray[np.float64]) -> float:
    """Mean size without the few largest: records are lost, states change."""
    size = np.sort(np.abs(left))
    return float(size[: max(1, len(size) * 197 // 200)].mean())


def floats(rows: Rows, begin: int, *, big: bool) -> NDArray[np.float32]:
    """Read four bytes as IEEE 754 single precision, ``(records,)``."""
    four = np.ascontiguousarray(rows[:, begin : begin + 4])
    return four.view(">f4" if big else "<f4")[:, 0]


def likely_floats(value: NDArray[np.floating]) -> bool:
    """Whether nearly all numbers are of a size that measured values have, and not all of them zero."""
    return bool(np.mean(_plausible(value)) >= 0.98 and np.mean(np.abs(value) > 0) >= 0.3)


def _plausible(value: NDArray[np.floating]) -> NDArray[np.bool_]:
    size = np.abs(value)
    return np.asarray((size == 0) | ((size >= FLOAT_SMALLEST) & (size <= FLOAT_LARGEST)))


def float_bits(rows: Rows, begin: int, *, big: bool) -> float | None:
    """Price of four bytes as a float in some unit; None where they are odd as one."""
    with np.errstate(invalid="ignore"):
        value = floats(rows, begin, big=big).astype(np.float64)
    if not likely_floats(value):
        return None
    value = value[_plausible(value)]
    step = _unit(np.unique(value))
    if step is not None:
        # Codes that the device has scaled.
        return min(_FLOAT_BITS, _bits_of_steps(np.diff(value) / step))
    if _mantissa_alone(value):
        return None
    low = whole(rows, begin + 2 if big else begin, 2, big=big)
    # The low half of a mantissa is noise through and through, or nothing at all.
    if low.any() and not (movement_bits(low, 2) > 15.0 and _even(low)):
        return None
    return _FLOAT_BITS


def _mantissa_alone(value: NDArray[np.float64]) -> bool:
    """Whether the mantissa moves all over its range without the exponent: it is a number by itself."""
    if (value > 0).all() or (value < 0).all():
        # What never crosses zero does not jump by its own size from record to record.
        return float(np.mean(np.abs(np.diff(value)))) > 0.4 * float(np.mean(np.abs(value)))
    exponents = np.frexp(value)[1]
    same = np.diff(exponents) == 0
    if np.mean(same) < 0.9:
        return False
    moved = np.abs(np.diff(value))[same] / np.maximum(np.abs(value[1:][same]), FLOAT_SMALLEST)
    return float(np.mean(moved)) > 0.2


def _moves_alone(value: NDArray[np.int64], width: int, lower: int) -> bool:
    """Whether the bytes above the ``lower`` ones change now and then, but not as a carry of those."""
    turn = 1 << (8 * lower)
    above = value >> (8 * lower)
    changed = np.diff(above) != 0
    # What changes for one record alone was damage.
    lasting = changed[1:-1] & ~changed[:-2] & ~changed[2:]
    if np.mean(changed) > 0.2 or not lasting.any():
        return False
    steps = np.abs(signed(np.diff(value) & ((1 << (8 * width)) - 1), width))
    if float(np.mean(steps[~changed])) > turn / 8:
        return False
    far = steps[1:-1][lasting] > turn / 2
    # Rows come from a few places of the stream: where these meet anything may jump.
    return bool(np.mean(far) > 0.5 and np.count_nonzero(far) >= FEWEST_CHANGES)


def _lower_by_itself(value: NDArray[np.int64]) -> bool:
    """Whether the lower half is spread unevenly, though the upper one goes on by several at a time."""
    # Where a signal clips, its bits stand still, or move with the noise about that level.
    least, most = value.min(), value.max()
    near = (most - least) // NEAR_ENDS
    value = value[(value > least + near) & (value < most - near)]
    low = value & 0xFFFF
    if len(value) < FEWEST_SPREAD or typical(steps_of(value >> 16, 2).astype(np.float64)) < SEVERAL:
        return False
    return len(np.unique(low)) >= FEWEST_SPREAD // 4 and not _even(low)


def _unit(levels: NDArray[np.float64]) -> float | None:
    """Give the step of which all values are multiples; None where there is none."""
    gaps = np.diff(levels)
    if len(gaps) < 3:
        return None
    off = levels - levels[0]
    step = float(np.median(gaps[gaps <= 1.5 * gaps.min()]))
    # A float's own steps at this magnitude, with some to spare.
    finest = float(np.abs(levels).max()) * 2.0**-22
    if step < 8 * finest:
        return None
    for reach in (16.0, 256.0, 4096.0, 65536.0):
        near = off[off <= reach * step]
        times = np.rint(near / step)
        if times.any():
            step = float(np.sum(near * times) / np.sum(times * times))
    left = np.abs(off / step - np.rint(off / step))
    return step if np.mean(left <= 0.02 + 2 * finest / step) > 0.9 else None


def _even(low: NDArray[np.int64]) -> bool:
    """Whether 16-bit values are spread evenly, as the lower half of something larger is."""
    counts = np.bincount(low >> 13, minlength=8) / (len(low) / 8)
    return bool(counts.min() > 0.5 and counts.max() < 1.6)


def signed_is_closer(value: NDArray[np.int64], width: int) -> bool:
    """Whether values go less far from record to record as two's complement than as counted from zero.

    A signal that crosses zero jumps from one end of an unsigned range to the other, and one
    that crosses the middle does so in a signed one.
    """
    as_signed = signed(value, width).astype(np.float64)
    if not (as_signed < 0).any():
        return False
    ways = [float(np.abs(np.diff(way)).sum()) for way in (as_signed, value.astype(np.float64))]
    if ways[0] == ways[1]:
        return bool(np.abs(as_signed).max() < (1 << (8 * width - 2)))
    return ways[0] < ways[1]


Choice = tuple[FoundField, float, str]
"""A field, its price, and its kind: "pad", "ticker", "f32" or the width in bytes."""


def _thinned(rows: Rows) -> Rows:
    """Rows in a few stretches from all over, each of rows that follow each other."""
    if len(rows) <= MOST_ROWS:
        return rows
    size = MOST_ROWS // STRETCHES
    begins = np.linspace(0, len(rows) - size, STRETCHES).astype(np.int64).tolist()
    return np.concatenate([rows[begin : begin + size] for begin in begins])


class Columns:
    """Prices of all fields that the bytes of a record may be, reckoned once for each.

    Parameters
    ----------
    rows
        ``(records, columns)``; columns may go on into the next record.
    length
        Bytes of a record: what begins a record later is the same. None where columns are those of one.
    """

    def __init__(self, rows: Rows, length: int | None = None) -> None:
        self.rows = _thinned(rows).copy(order="F")
        self._length = length or rows.shape[1]
        self._choices: dict[tuple[int, bool], list[Choice]] = {}

    @cached_property
    def still(self) -> list[bool]:
        """Which columns never change."""
        return [constant(column) for column in self.rows.T]

    @cached_property
    def _idle(self) -> list[bool]:
        return [bool(np.count_nonzero(np.diff(c)) <= 0.02 * len(c)) for c in self.rows.T]

    @cached_property
    def few(self) -> list[bool]:
        """Which columns take few values, and keep each for long, as a state does."""
        counts = [len(np.unique(c)) if idle else 256 for c, idle in zip(self.rows.T, self._idle, strict=True)]
        return [count <= MOST_STATES for count in counts]

    def choices(self, at: int, end: int, *, big: bool) -> Iterator[Choice]:
        """Give what may begin at a column and ends before ``end``."""
        run = 0
        while at + run < end and self.still[at + run]:
            run += 1
            odd = self.rows[0, at : at + run]
            price = PAD_BITS + (_PAD_ODD_BITS if np.any((odd != 0) & (odd != 0xFF)) else 0.0)
            yield FoundField(at, f"pad{run}", run, "pad"), price, "pad"
        here = at % self._length
        if (here, big) not in self._choices:
            last = self.rows.shape[1]
            self._choices[here, big] = [
                choice
                for width in _FIELD_BITS
                if here + width <= last and not all(self.still[here : here + width])
                for choice in self._fields(here, width, big=big)
            ]
        for found, price, kind in self._choices[here, big]:
            if at + found.width <= end:
                yield (found if here == at else replace(found, begin=at)), price, kind

    def _fields(self, at: int, width: int, *, big: bool) -> Iterator[Choice]:
        value = whole(self.rows, at, width, big=big)
        counts = width != 3 and self._ticks(at, width, value, big=big)
        if counts:
            upper = range(at, at + width - 1) if big else range(at + 1, at + width)
            full = [c for c in upper if self.still[c] and self.rows[0, c]]
            cost = _TICKER_BITS + _FULL_TOP_BITS * len(full)
            yield FoundField(at, f"u{8 * width}", width, "ticker"), cost, "ticker"
        inside = any(self._counting[at : at + width])
        price = float_bits(self.rows, at, big=big) if width == 4 and not counts and not inside else None
        if price is not None:
            yield FoundField(at, "f32", 4, "channel"), _FIELD_BITS[4] + price, "f32"
            return
        kind = "i" if signed_is_closer(value, width) else "u"
        price = _FIELD_BITS[width] + self._channel_bits(at, width, value, kind, big=big)
        yield FoundField(at, f"{kind}{8 * width}", width, "channel"), price, str(width)

    def _ticks(self, at: int, width: int, value: NDArray[np.int64], *, big: bool) -> bool:
        """Whether a field counts or is a clock, all of it."""
        found = ticks(value, width)
        if found is None:
            return False
        low = at + width - 1 if big else at
        counts = self._counting[low]
        if width > 1 and counts and (not found.exact or (counts == 1 and found.step > 1.5)):
            # A counter, and a clock's lower bytes in front of it.
            return False
        wide, first = 2 * width, at - width if big else at
        if width > 2 or first < 0 or first + wide > self.rows.shape[1]:
            return True
        upper = range(first, at) if big else range(at + width, first + wide)
        moves = not all(self.still[column] for column in upper)
        wider = ticks(whole(self.rows, first, wide, big=big), wide)
        return not (moves and wider is not None and abs(wider.step - found.step) < 0.5)

    @cached_property
    def _counting(self) -> list[int]:
        """Give steps of the columns that count by themselves, always by the same one; else 0."""
        found = [ticks(column.astype(np.int64), 1) for column in self.rows.T]
        return [round(one.step) if one is not None and one.exact else 0 for one in found]

    def _channel_bits(self, at: int, width: int, value: NDArray[np.int64], kind: str, *, big: bool) -> float:
        """Price of the movement, and of what is odd about a field of this width."""
        number = signed(value, width) if kind == "i" else value
        moved = cost = min(movement_bits(value, width), _wave_bits(number.astype(np.float64)))
        top, low = (at, at + width - 1) if big else (at + width - 1, at)
        next_top = at + 1 if big else at + width - 2
        # What stands still at another value than zero belongs to something that has a value.
        idle = [i and not (s and v) for i, s, v in zip(self._idle, self.still, self.rows[0], strict=True)]
        if width == 1:
            steps = np.diff(value) & 0xFF
            usual = int(np.bincount(steps).argmax())
            if usual and np.mean(steps == usual) > 0.95:
                # The lowest byte of something that goes up by more than it holds.
                cost += _COUNTER_INSIDE_BITS
        if width > 1 and any(self._counting[at : at + width]):
            cost += _COUNTER_INSIDE_BITS
        elif width > 1 and (
            ticks(value, width) is not None or (width == 4 and ticks(value >> 16, 2) is not None)
        ):
            # The lower half of a clock, by itself or with what stands behind it.
            cost += _COUNTER_INSIDE_BITS
        if self.still[top] and self.rows[0, top]:
            # A wide field is dear enough by itself; of a state the high byte would be empty.
            cost += (
                _ODD_TOP_BITS
                if width == 3 or (width == 4 and self.still[next_top] and self.rows[0, top] != 0xFF)
                else _STATE_TOP_BITS
                if len(np.unique(value)) <= MOST_STATES
                else 0.0
            )
        if (width == 3 and idle[top]) or (width == 4 and idle[top] and idle[next_top]):
            cost += _IDLE_TOP_BITS
        if width == 4 and idle[top] and not self.still[top]:
            cost += _IDLE_TOP_BITS
        if moved > WILD * 8 * width and (width > 2 or (width == 2 and _even(value))):
            cost += _WILD_BITS
        if width == 4 and _lower_by_itself(value):
            cost += _LOOSE_TOP_BITS
        if any(_moves_alone(value, width, lower) for lower in range(1, width)):
            cost += _LOOSE_TOP_BITS
        if width > 1 and self.still[low]:
            cost += _IDLE_LOW_BITS
        if width == 2 and kind == "i" and np.isin(self.rows[:, top], (0, 0xFF)).all():
            # Nothing but a sign is above: that is what a code near zero looks like.
            cost -= _SIGN_BITS
        return cost

"""Many lines of numbers that are punctuated alike, at once: what firmware prints in a loop.

All bytes that are no digit (and no sign) are found in one pass. Where they are the same
in each line, what they mean is asked once, of :mod:`livesense.wire.textline`; what is left
is to read digits. Those are joined in pairs at every byte, so that a number is the sum of
the pairs that end at its last digit, its last but two, and so on. A line with other
punctuation is left to the plain path, and a block of mixed ones to :mod:`livesense.wire.textblock`.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.wire.textline import LineShape, split

LF, SPACE, DOT, STAR, PLUS, MINUS = b"\n .*+-"
_ZERO = np.uint8(ord("0"))
_NONE = np.zeros(0, dtype=np.int64)

MAX_DIGITS = 18
"""Longest number read here; it fits 64 bits whatever its digits."""

LEAD = MAX_DIGITS
"""Zeros in front of the first line, so that no number reaches out of the block."""

MOST_UNLIKE = 0.1
"""With a larger share of other lines the whole block is left to the reader of mixed ones."""

_POWERS = 10 ** np.arange(MAX_DIGITS + 1, dtype=np.int64)
_HEX = np.full(256, 255, dtype=np.uint8)
_HEX[list(b"0123456789ABCDEF")] = np.arange(16)
_HEX[list(b"abcdef")] = np.arange(10, 16)

_PARTS = np.zeros(256, dtype=np.bool_)
_PARTS[list(b",;\t \n")] = True
"""Bytes behind which a space means nothing."""

_FIELD = re.compile(rb"(1?)(?:\.(1?))?")
"""A field whose digits are written as one 1."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Whole lines that were looked at together.

    Attributes
    ----------
    data
        The bytes.
    starts, ends
        ``(lines,)`` where each line begins, and where its LF stands, in ``data``.
    good
        ``(lines,)`` whether it is an ordinary line of numbers, and its checksum, if
        it has one, is right.
    checked
        ``(lines,)`` whether it has a checksum.
    values
        ``(lines, fields)`` int64; only where ``good``.
    """

    data: bytes
    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    good: NDArray[np.bool_]
    checked: NDArray[np.bool_]
    values: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Plan:
    """What the runs of digits in front of a line's marks are.

    Attributes
    ----------
    whole, part
        For each used field, the run before its point and the one behind it; -1 where there is none.
    check
        The run that is the checksum; -1 where there is none.
    """

    whole: tuple[int, ...]
    part: tuple[int, ...]
    check: int


@functools.lru_cache(maxsize=64)
def _plan(marks: bytes, filled: bytes, shape: LineShape) -> _Plan | None:
    """Ask what a line with these marks means, of which the ``filled`` have digits in front.

    None where it is no ordinary line.
    """
    line = b"".join((b"1" if digits else b"") + marks[k : k + 1] for k, digits in enumerate(filled))
    content, star, check = line.removesuffix(b"\n").removesuffix(b"\r").partition(b"*")
    fields = split(content)
    # The two digits of a checksum are one run, and nothing stands behind them.
    if not shape.fields or len(fields) != shape.width or check != star.replace(b"*", b"1"):
        return None
    runs = iter([k for k, digits in enumerate(filled) if digits])
    parts: list[tuple[int, int]] = []
    for field in fields:
        match = _FIELD.fullmatch(field)
        if match is None or field in {b"", b"."}:
            return None
        parts.append((next(runs) if match[1] else -1, next(runs) if match[2] else -1))
    used = [parts[field.column] for field in shape.fields]
    return _Plan(tuple(whole for whole, _ in used), tuple(part for _, part in used), next(runs, -1))


class _Bytes:
    """A block byte by byte: its digits, and where everything else stands.

    Attributes
    ----------
    marks, found
        Where the bytes that part runs of digits stand, and what they are. Spaces that mean
        nothing, at the start of a line or behind another separator, are left out.
    length
        Bytes of the run in front of each mark; 0 where there is none.
    pairs
        For each byte the number that it makes with the byte before it, of their digits; anything else is 0.
    doubtful
        Signs that stand in front of no number.
    """

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.raw = raw = np.frombuffer(data, dtype=np.uint8)
        digits = np.zeros(LEAD + len(raw), dtype=np.uint8)
        own = np.subtract(raw, _ZERO, out=digits[LEAD:])
        mark = own > 9
        # Signs are part of a run, and count as digits that are 0.
        own &= mark.view(np.uint8) - np.uint8(1)
        self.doubtful = self._signs(mark) if MINUS in data or PLUS in data else _NONE
        if STAR in data:
            self._stars(mark)
        self.marks = marks = mark.nonzero()[0]
        self.found = raw[marks]
        self.length = length = np.empty_like(marks)
        length[0] = marks[0]
        np.subtract(marks[1:], marks[:-1], out=length[1:])
        length[1:] -= 1
        if SPACE in data:
            self._spaces()
        self.pairs = digits[:-1] * np.uint8(10)
        self.pairs += digits[1:]

    def _signs(self, mark: NDArray[np.bool_]) -> NDArray[np.int64]:
        raw = self.raw
        sign = (raw == MINUS) | (raw == PLUS)
        # In front of a sign stands a separator, or the line begins there; behind it a digit.
        before = mark & ~sign
        before &= raw != DOT
        right = np.empty_like(sign)
        right[0] = True
        right[1:] = before[:-1]
        right[:-1] &= ~mark[1:]
        mark &= ~sign
        doubtful: NDArray[np.int64] = (sign & ~right).nonzero()[0]
        return doubtful

    def _spaces(self) -> None:
        """Leave out spaces that mean nothing."""
        nothing = self.length == 0
        nothing &= self.found == SPACE
        before = np.empty_like(self.found)
        before[0] = LF
        before[1:] = self.found[:-1]
        nothing &= _PARTS[before]
        if nothing.any():
            keep = ~nothing
            self.marks, self.found, self.length = self.marks[keep], self.found[keep], self.length[keep]

    def _stars(self, mark: NDArray[np.bool_]) -> None:
        """Let the two digits of a checksum be a run, letters or not."""
        stars = (self.raw == STAR).nonzero()[0]
        last = len(self.raw) - 1
        digits = _HEX[self.raw[np.minimum(stars + 1, last)]] | _HEX[self.raw[np.minimum(stars + 2, last)]]
        stars = stars[digits < 16]
        mark[stars + 1] = False
        mark[stars + 2] = False

    def numbers(self, ends: NDArray[np.intp], length: NDArray[np.intp]) -> NDArray[np.int64]:
        """Values of the runs that end before ``ends``, ``(n,)``, of at most :data:`MAX_DIGITS`."""
        high = self.pairs[LEAD - 4 :].take(ends)
        high *= length > 2
        low = np.multiply(high, 100, dtype=np.uint16)
        low += self.pairs[LEAD - 2 :].take(ends)
        values: NDArray[np.int64] = low.astype(np.int64)
        for done in range(4, min(int(length.max()), MAX_DIGITS), 2):
            more = self.pairs[LEAD - 2 - done :].take(ends)
            more *= length > done
            values += np.multiply(more, 10**done, dtype=np.int64)
        if MINUS in self.data:
            values = np.where(self.raw.take(ends - length) == MINUS, -values, values)
        return values


@dataclass(frozen=True, slots=True)
class _Alike:
    """Lines with the same marks, and digits between the same ones.

    Attributes
    ----------
    rows
        Which lines they are; None: all.
    line_ends
        Where the LF of each line stands, of all lines.
    ends, length
        ``(rows, marks)`` where each mark stands, and the length of the run in front of it.
    marks, filled
        The marks of one line, and which have digits in front.
    """

    rows: NDArray[np.int64] | None
    line_ends: NDArray[np.int64]
    ends: NDArray[np.int64]
    length: NDArray[np.int64]
    marks: bytes
    filled: bytes


def _choose(block: _Bytes) -> _Alike | None:
    """Find the lines that are alike; None when they are too few."""
    ends, found = block.marks, block.found
    length = block.length
    filled = length > 0
    last = (found == LF).nonzero()[0]
    each, lines = int(last[0]) + 1, len(last)
    marks, runs = found[:each].tobytes(), filled[:each].tobytes()
    if found.tobytes() == marks * lines and filled.tobytes() == runs * lines:
        table = ends.reshape(lines, each)
        return _Alike(None, table[:, -1], table, length.reshape(lines, each), marks, runs)
    # Lines with another number of marks first, then those with other ones.
    count = np.diff(last, prepend=-1)
    each = int(np.bincount(count).argmax())
    alike = count == each
    rows, kept = alike.nonzero()[0], np.repeat(alike, count)
    table, spans = ends[kept].reshape(-1, each), length[kept].reshape(-1, each)
    signs, whole = found[kept], filled[kept]
    begin = len(rows) // 2 * each
    marks, runs = signs[begin : begin + each].tobytes(), whole[begin : begin + each].tobytes()
    if signs.tobytes() != marks * len(rows) or whole.tobytes() != runs * len(rows):
        same = signs.reshape(-1, each) == signs[begin : begin + each]
        same &= whole.reshape(-1, each) == whole[begin : begin + each]
        alike = same.all(axis=1)
        rows, table, spans = rows[alike], table[alike], spans[alike]
    if len(rows) < (1 - MOST_UNLIKE) * lines:
        return None
    return _Alike(rows, ends[last], table, spans, marks, runs)


def read_alike(data: bytes, shape: LineShape) -> Lines | None:
    """Read lines that are punctuated alike; None where too many are not.

    Parameters
    ----------
    data
        Whole lines, each with its end; at least one.
    shape
        What the lines of numbers look like.
    """
    block = _Bytes(data)
    alike = _choose(block)
    plan = None if alike is None else _plan(alike.marks, alike.filled, shape)
    if alike is None or plan is None:
        return None
    line_ends, lines = alike.line_ends, len(alike.line_ends)
    starts = np.empty_like(line_ends)
    starts[0] = 0
    starts[1:] = line_ends[:-1] + 1
    values, right = _values(block, alike, plan, shape)
    if plan.check >= 0:
        right &= _sums_right(block, alike, plan.check, starts)
    checked = np.full(lines, plan.check >= 0)
    if alike.rows is None:
        good = right
    else:
        good, few = np.zeros(lines, dtype=np.bool_), values
        good[alike.rows] = right
        values = np.zeros((lines, few.shape[1]), dtype=np.int64)
        values[alike.rows] = few
    if len(block.doubtful):
        good[np.searchsorted(line_ends, block.doubtful)] = False
    return Lines(data, starts, line_ends, good, checked, values)


def _values(
    block: _Bytes, alike: _Alike, plan: _Plan, shape: LineShape
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Integers of the used fields, ``(rows, fields)``, and which rows can be told here."""
    runs = [*plan.whole, *(run for run in plan.part if run >= 0)]
    ends, length = alike.ends, alike.length
    last = max(runs) + 1
    if len(runs) == last:
        # All there are, in some order: that of the numbers is cheaper to change than that of the places.
        ends, length = ends[:, :last], length[:, :last]
    else:
        # A run that is missing is read as another one, and made nothing later.
        ends, length, runs = ends[:, runs], length[:, runs], list(range(len(runs)))
    rows = len(ends)
    read = block.numbers(ends.reshape(-1), length.reshape(-1)).reshape(rows, -1)
    right = np.ones(rows, dtype=np.bool_)
    if length.max() > MAX_DIGITS:
        right &= (length <= MAX_DIGITS).all(axis=1)
    if len(runs) > len(shape.fields) or any(field.decimals for field in shape.fields):
        negative = block.raw.take(ends - length) == MINUS
        read = _scaled(plan, shape, read[:, runs], length[:, runs], negative[:, runs], right)
    elif runs != sorted(runs):
        read = read[:, runs]
    return read, right


def _scaled(
    plan: _Plan,
    shape: LineShape,
    read: NDArray[np.int64],
    length: NDArray[np.int64],
    negative: NDArray[np.bool_],
    right: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Join what stands before and behind the points; refuse in ``right`` what might not fit."""
    values = np.empty((len(read), len(shape.fields)), dtype=np.int64)
    part = len(shape.fields)
    for at, field in enumerate(shape.fields):
        there = plan.whole[at] >= 0
        places = min(field.decimals, MAX_DIGITS)
        value = read[:, at] * _POWERS[places] * there
        right &= length[:, at] * there + field.decimals <= MAX_DIGITS
        if plan.part[at] >= 0:
            short = places - length[:, part]
            right &= short >= 0
            fraction = read[:, part] * _POWERS[np.clip(short, 0, MAX_DIGITS)]
            value += np.where(negative[:, at] & there, -fraction, fraction)
            part += 1
        values[:, at] = value
    return values


def _sums_right(block: _Bytes, alike: _Alike, check: int, starts: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the two digits behind the star are the XOR of everything before it."""
    raw = block.raw
    begins = starts if alike.rows is None else starts[alike.rows]
    stars = alike.ends[:, check - 1]
    borders = np.stack([begins, stars], axis=1).reshape(-1)
    xor = np.bitwise_xor.reduceat(raw, borders)[::2]
    stated = _HEX[raw[stars + 1]] * np.uint8(16) + _HEX[raw[stars + 2]]
    right: NDArray[np.bool_] = (xor == stated) & (alike.length[:, check] == 2)
    return right

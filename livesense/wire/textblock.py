"""Many ordinary lines of numbers at once, however they are mixed.

It takes what :mod:`livesense.wire.textalike` does not. Numbers are read eight digits at
a time: the eight bytes that end at a number's last digit are one 64-bit word, in which
all digits are checked and joined side by side. Every byte that is not part of a number
is checked to be a separator where one may stand. A line that is not plainly ordinary is
left to :mod:`livesense.wire.textline`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livesense.wire.textline import LineShape

LF, CR, TAB, SPACE, COMMA, SEMICOLON, STAR, DOT, PLUS, MINUS, HASH, DELETE = b"\n\r\t ,;*.+-#\x7f"

MAX_DIGITS = 16
"""Longest number read here: two words of eight digits."""

LEAD = MAX_DIGITS
"""Bytes that must stand before the first line, so that a word never reaches out of the block."""

_U = np.uint64
_POWERS = 10 ** np.arange(19, dtype=np.int64)

_HEX = np.full(256, 255, dtype=np.uint8)
_HEX[list(b"0123456789ABCDEF")] = np.arange(16)
_HEX[list(b"abcdef")] = np.arange(10, 16)


def _eight(
    words: NDArray[np.uint64], digits: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Value of the last ``digits`` (1 to 8) characters of each word, and whether all were digits."""
    surplus = (64 - 8 * digits).astype(np.uint64)
    values = words ^ _U(0x3030303030303030)
    values >>= surplus
    values <<= surplus
    good = ((values + _U(0x7676767676767676)) & _U(0x8080808080808080)) == 0
    # Digits to pairs, pairs to fours, fours to eight: each step multiplies and adds within the word.
    for factor, shift, mask in (
        (2561, 8, 0x00FF00FF00FF00FF),
        (6553601, 16, 0x0000FFFF0000FFFF),
        (42949672960001, 32, 0x00000000FFFFFFFF),
    ):
        values *= _U(factor)
        values >>= _U(shift)
        values &= _U(mask)
    return values.astype(np.int64), good


def _digits(
    words: NDArray[np.uint64], start: NDArray[np.int64], end: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Integers of the digits between ``start`` and ``end``, which are good where there are any."""
    length = end - start
    value, good = _eight(words[end - 8], np.clip(length, 1, 8))
    if length.max(initial=0) > 8:
        high, also = _eight(words[end - 16], np.clip(length - 8, 1, 8))
        long = length > 8
        value += np.where(long, high, 0) * 10**8
        good &= (also | ~long) & (length <= MAX_DIGITS)
    return value, good & (length > 0)


class Block:
    """Whole lines, each with its end, looked at together.

    Attributes
    ----------
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

    def __init__(self, lines: bytes, shape: LineShape) -> None:
        self.data = b" " * LEAD + lines
        self._raw = raw = np.frombuffer(self.data, dtype=np.uint8)
        self.ends = np.flatnonzero(raw == LF)
        self.starts = np.concatenate([[LEAD], self.ends[:-1] + 1])
        self.good = np.ones(len(self.ends), dtype=np.bool_)
        self.checked = np.zeros(len(self.ends), dtype=np.bool_)
        self._stops = self.ends
        self._token = (raw > SPACE) & (raw != COMMA) & (raw != SEMICOLON)
        self._refuse_strange()
        if STAR in self.data:
            self._check_sums()
        edges = np.flatnonzero(self._token[1:] != self._token[:-1]) + 1
        start, end = edges[0::2], edges[1::2]
        columns = [field.column for field in shape.fields]
        if self._is_plain(start, end, shape.width):
            start, end = start.reshape(-1, shape.width), end.reshape(-1, shape.width)
            lines_read: slice | NDArray[np.int64] = slice(None)
        else:
            first = self._separated(start, shape.width)
            lines_read = np.flatnonzero(self.good)
            fields = first[lines_read][:, np.newaxis] + np.arange(shape.width)
            start, end = start[fields], end[fields]
        self.values = np.zeros((len(self.ends), len(columns)), dtype=np.int64)
        self.values[lines_read], right = self._numbers(start[:, columns], end[:, columns], shape)
        self.good[lines_read] &= right.all(axis=1)

    def _line_of(self, at: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.searchsorted(self.ends, at)

    def _refuse_strange(self) -> None:
        """Leave lines with bytes that are no part of a scan to the plain path."""
        raw = self._raw
        strange = (raw < SPACE) & (raw != LF) & (raw != TAB)
        strange |= raw >= DELETE
        # A note may look like a scan where the field with the # belongs to no channel.
        strange |= raw == HASH
        if strange.any():
            odd = np.flatnonzero(strange)
            last = raw[odd] == CR
            last &= raw[np.minimum(odd + 1, len(raw) - 1)] == LF
            self.good[self._line_of(odd[~last])] = False
            self._stops = self.ends - (raw[self.ends - 1] == CR)

    def _is_plain(self, start: NDArray[np.int64], end: NDArray[np.int64], width: int) -> bool:
        """Whether every line is so many fields with one byte between, from its start to its stop."""
        if len(start) != len(self.ends) * width:
            return False
        between = start[1:] - end[:-1] == 1
        # The steps from one line to the next are looked at apart.
        between[width - 1 :: width] = True
        return bool(
            between.all()
            and (start[::width] == self.starts).all()
            and (end[width - 1 :: width] == self._stops).all()
        )

    def _separated(self, start: NDArray[np.int64], width: int) -> NDArray[np.int64]:
        """Refuse lines whose fields are too many, too few, or not parted one by one.

        Returns the position of each line's first field.
        """
        raw = self._raw
        first = np.searchsorted(start, self.starts)
        self.good &= np.diff(first, append=len(start)) == width
        hard = np.flatnonzero((raw == COMMA) | (raw == SEMICOLON) | (raw == TAB))
        line = self._line_of(hard)
        # Between two fields stands one separator at most, and none before the first or after the last.
        before = np.searchsorted(start, hard) - first[line]
        self.good[line[(before < 1) | (before >= width)]] = False
        twice = np.flatnonzero((np.diff(before) == 0) & (np.diff(line) == 0))
        self.good[line[twice]] = False
        return first

    def _numbers(
        self, start: NDArray[np.int64], end: NDArray[np.int64], shape: LineShape
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Integers of the fields at these places, ``(lines, fields)``, and which are good."""
        raw = self._raw
        words = np.ndarray((len(raw) - 7,), "<u8", self.data, strides=(1,))
        negative = None
        if MINUS in self.data or PLUS in self.data:
            lead = raw[start]
            negative = lead == MINUS
            start = start + (negative | (lead == PLUS))
        decimals = np.array([field.decimals for field in shape.fields], dtype=np.int64)
        if DOT in self.data or decimals.any():
            dots = np.append(np.flatnonzero(raw == DOT), len(raw))
            whole_end = np.minimum(dots[np.searchsorted(dots, start)], end)
            value, good = _digits(words, start, whole_end)
            part_start = np.minimum(whole_end + 1, end)
            places = end - part_start
            part, right = _digits(words, part_start, end)
            # Anything that could overflow, and digits beyond the last place, are left to the plain path.
            good &= right | (places == 0)
            good &= (places <= decimals) & (whole_end - start + decimals <= 18)
            short = np.clip(decimals - places, 0, 18)
            value = value * _POWERS[np.clip(decimals, 0, 18)] + np.where(places > 0, part, 0) * _POWERS[short]
        else:
            value, good = _digits(words, start, end)
        return value if negative is None else np.where(negative, -value, value), good

    def _check_sums(self) -> None:
        """Verify each line's ``*hh`` and take it out of the fields."""
        raw = self._raw
        stars = np.flatnonzero(raw == STAR)
        line = self._line_of(stars)
        placed = stars == self._stops[line] - 3
        # A star anywhere else, or a second one, is for the plain path.
        self.good[line[~placed]] = False
        stars, line = stars[placed], line[placed]
        if not len(stars):
            return
        self.checked[line] = True
        self._stops = self._stops.copy()
        self._stops[line] = stars
        high, low = _HEX[raw[stars + 1]], _HEX[raw[stars + 2]]
        borders = np.stack([self.starts[line], stars], axis=1).reshape(-1)
        xor = np.bitwise_xor.reduceat(raw, borders)[::2]
        right = (high < 16) & (low < 16) & (self.starts[line] < stars) & (xor == high * np.uint8(16) + low)
        self.good[line[~right]] = False
        for offset in range(3):
            self._token[stars + offset] = False

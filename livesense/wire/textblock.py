"""Many ordinary lines of numbers at once.

Numbers are read eight digits at a time: the eight bytes that end at a number's
last digit are one 64-bit word, in which all digits are checked and joined side
by side. Every byte that is not part of a number is checked to be a separator
where one may stand. A line that is not plainly ordinary is left to
:mod:`livesense.wire.textline`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livesense.wire.textline import LineShape

LF, CR, TAB, SPACE, COMMA, SEMICOLON, STAR, DOT, PLUS, MINUS = b"\n\r\t ,;*.+-"

MAX_DIGITS = 16
"""Longest number read here: two words of eight digits."""

_CLASS = np.zeros(256, dtype=np.uint8)
_SOFT, _HARD, _END, _OTHER = 1, 2, 4, 8
_CLASS[[SPACE]] = _SOFT
_CLASS[[COMMA, SEMICOLON, TAB]] = _HARD
_CLASS[[LF, CR]] = _END
_CLASS[[*(set(range(32)) - {LF, CR, TAB}), *range(127, 256)]] = _OTHER

_ASCII_ZEROS = 0x3030303030303030
_KEEP = np.array(
    [(0xFFFFFFFFFFFFFFFF << (8 * (8 - n))) & 0xFFFFFFFFFFFFFFFF for n in range(9)], dtype=np.uint64
)
_FILL = np.array([_ASCII_ZEROS & ~int(mask) & 0xFFFFFFFFFFFFFFFF for mask in _KEEP], dtype=np.uint64)
_POWERS = 10 ** np.arange(19, dtype=np.int64)

_U = np.uint64

LEAD = MAX_DIGITS
"""Bytes that must stand before the first line, so that a word never reaches out of the block."""


def _eight(
    words: NDArray[np.uint64], digits: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Value of the last ``digits`` (0 to 8) characters of each word, and whether all were digits."""
    words = (words & _KEEP[digits]) | _FILL[digits]
    values = words - _U(_ASCII_ZEROS)
    bad = ((words + _U(0x4646464646464646)) | values) & _U(0x8080808080808080)
    # Digits to pairs, pairs to fours, fours to eight: each step multiplies and adds within the word.
    values = (values * _U(2561)) >> _U(8) & _U(0x00FF00FF00FF00FF)
    values = (values * _U(6553601)) >> _U(16) & _U(0x0000FFFF0000FFFF)
    values = (values * _U(42949672960001)) >> _U(32)
    return values.astype(np.int64), bad == 0


def _digits(
    words: NDArray[np.uint64], start: NDArray[np.int64], end: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Integers of the digits between ``start`` and ``end``; none of them is 0."""
    length = end - start
    value, good = _eight(words[end - 8], np.clip(length, 0, 8))
    if length.max(initial=0) > 8:
        high, also = _eight(words[end - 16], np.clip(length - 8, 0, 8))
        value = value + high * 10**8
        good = good & also & (length <= MAX_DIGITS)
    return value, good


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
        raw = np.frombuffer(self.data, dtype=np.uint8)
        self.ends = np.flatnonzero(raw == LF)
        self.starts = np.concatenate([[LEAD], self.ends[:-1] + 1])
        self.good = np.ones(len(self.ends), dtype=np.bool_)
        self.checked = np.zeros(len(self.ends), dtype=np.bool_)
        self.values = np.zeros((len(self.ends), len(shape.fields)), dtype=np.int64)
        self._raw = raw
        self._read(shape)

    def _line_of(self, at: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.searchsorted(self.ends, at)

    def _read(self, shape: LineShape) -> None:
        raw = self._raw
        kind = _CLASS[raw]
        if (kind == _OTHER).any():
            self.good[self._line_of(np.flatnonzero(kind == _OTHER))] = False
        returns = np.flatnonzero(raw == CR)
        if len(returns):
            inside = returns[raw[returns + 1] != LF]
            self.good[self._line_of(inside)] = False
        if STAR in self.data:
            kind = kind.copy()
            self._check_sums(kind)
        token = kind == 0
        starts = np.flatnonzero(token[1:] & ~token[:-1]) + 1
        ends = np.flatnonzero(~token[1:] & token[:-1]) + 1
        # A line belongs here only with as many fields as it should have.
        first = np.searchsorted(starts, self.starts)
        self.good &= np.diff(first, append=len(starts)) == shape.width
        hard = np.flatnonzero(kind == _HARD)
        if len(hard):
            # Between two fields stands one separator at most, and none before the first or after the last.
            line = self._line_of(hard)
            before = np.searchsorted(starts, hard) - first[line]
            self.good[line[(before < 1) | (before >= shape.width)]] = False
            twice = np.flatnonzero((np.diff(before) == 0) & (np.diff(line) == 0))
            self.good[line[twice]] = False
        lines = np.flatnonzero(self.good)
        if not len(lines):
            return
        words = np.ndarray((len(raw) - 7,), "<u8", self.data, strides=(1,))
        fields = first[lines][:, np.newaxis] + np.array(
            [field.column for field in shape.fields], dtype=np.int64
        )
        good = np.ones(fields.shape, dtype=np.bool_)
        self.values[lines] = self._numbers(words, starts[fields], ends[fields], shape, good)
        self.good[lines] = good.all(axis=1)

    def _numbers(
        self,
        words: NDArray[np.uint64],
        start: NDArray[np.int64],
        end: NDArray[np.int64],
        shape: LineShape,
        good: NDArray[np.bool_],
    ) -> NDArray[np.int64]:
        raw = self._raw
        lead = raw[start]
        negative = lead == MINUS
        start = start + (negative | (lead == PLUS))
        decimals = np.array([field.decimals for field in shape.fields], dtype=np.int64)
        whole_end = end
        if DOT in self.data:
            dots = np.append(np.flatnonzero(raw == DOT), len(raw))
            dot = dots[np.searchsorted(dots, start)]
            whole_end = np.minimum(dot, end)
        value, right = _digits(words, start, whole_end)
        good &= right & (whole_end > start)
        if decimals.any() or whole_end is not end:
            part_start = np.minimum(whole_end + 1, end)
            places = end - part_start
            part, right = _digits(words, part_start, end)
            short = np.clip(decimals - places, 0, 18)
            # Anything that could overflow, and digits beyond the last place, are left to the plain path.
            fits = (places <= decimals) & (whole_end - start + decimals <= 18)
            good &= right & fits
            value = value * _POWERS[np.clip(decimals, 0, 18)] + part * _POWERS[short]
        return np.where(negative, -value, value)

    def _check_sums(self, kind: NDArray[np.uint8]) -> None:
        """Verify each line's ``*hh`` and take it out of the fields."""
        raw = self._raw
        stars = np.flatnonzero(raw == STAR)
        line = self._line_of(stars)
        end = self.ends[line]
        end = end - (raw[end - 1] == CR)
        placed = stars == end - 3
        # A star anywhere else, or a second one, is for the plain path.
        self.good[line[~placed]] = False
        stars, line = stars[placed], line[placed]
        self.checked[line] = True
        stated, right = _hex(raw[stars + 1], raw[stars + 2])
        borders = np.stack([self.starts[line], stars], axis=1).reshape(-1)
        filled = self.starts[line] < stars
        xor = np.zeros(len(stars), dtype=np.uint8)
        if len(stars):
            xor = np.bitwise_xor.reduceat(raw, borders)[::2]
        self.good[line[~(right & filled & (xor == stated))]] = False
        for offset in range(3):
            kind[stars + offset] = _END


def _hex(high: NDArray[np.uint8], low: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    table = np.full(256, 255, dtype=np.uint8)
    for value, pair in enumerate(zip("0123456789abcdef", "0123456789ABCDEF", strict=True)):
        table[[ord(character) for character in pair]] = value
    first, second = np.take(table, high), np.take(table, low)
    return first * np.uint8(16) | second, (first < 16) & (second < 16)

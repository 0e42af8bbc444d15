"""Checks that no bench file can declare, told by what every check is: the bytes before it make it.

Any CRC, whatever its polynomial, initial value and order of bits, is a sum in GF(2) of the bits before it
and of a constant. So some records give the equations, and the others tell whether these hold. Sums modulo
256, 65536 and 255 (Fletcher, IEEE Transactions on Communications 30(1), 1982, from memory) are tried as such.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import Rows, whole

HOLDS = 0.9
"""Share of records in which it must hold; the rest may be damage."""

FEWEST_TOLD = 24
"""Records that must bear it out, beyond those that gave the equations."""

MOST_ROWS = 1500
"""Records that are asked."""

ORDERS = 3
"""Orders in which records are taken: damaged ones among the first spoil the equations."""

FEWEST_VALUES = 24
"""Values that each byte of a check takes; a state or a sign has fewer."""

FEWEST_SOURCES = 2
"""Bytes on which a check depends; one alone may be sent twice."""


@dataclass(frozen=True, slots=True)
class ForeignCheck:
    """The last ``width`` bytes of each record follow from those before, in this way."""

    width: int
    way: str


def foreign_check(rows: Rows, first: int) -> ForeignCheck | None:
    """Tell whether the last bytes of records are a check of another kind than a bench file knows.

    Parameters
    ----------
    rows
        ``(records, length)``, each beginning with its sync word.
    first
        Bytes of the sync word.
    """
    if len(rows) < FEWEST_TOLD or rows.shape[1] < first + 3:
        return None
    rows = rows[:MOST_ROWS]
    moving = [len(np.unique(column)) for column in rows.T]
    lively = [count >= min(FEWEST_VALUES, len(rows) // 4) for count in moving]
    if not any(lively[-2:]) or sum(n > 1 for n in moving[:-1]) < FEWEST_SOURCES:
        return None
    for width in (2, 1):
        if rows.shape[1] - width <= first or (width == 1 and not lively[-1]):
            continue
        for way in _sums(rows[:, first:], width):
            return ForeignCheck(width, way)
    for width in (4, 2, 1):
        end = rows.shape[1] - width
        if end > first and all(lively[end:]) and _follows(rows, end) and not _sent_twice(rows, end):
            return ForeignCheck(width, "a CRC")
    return None


def _holds(left: NDArray[np.int64], values: int) -> bool:
    return bool(np.bincount(left, minlength=values).max() >= HOLDS * len(left))


def _sums(rows: Rows, width: int) -> Iterator[str]:
    """Ways in which the last bytes are a sum of those before, but for a constant."""
    before = rows[:, :-width].astype(np.int64)
    total = before.sum(axis=1)
    if width == 1:
        last = rows[:, -1].astype(np.int64)
        if _holds((last + total) % 256, 256):
            yield "a sum, negated"
        elif _holds((last - total) % 256, 256):
            yield "a sum that begins with another number than 0"
        return
    if _holds(total & 0xFFFF, 1 << 16):
        return
    for big in (False, True):
        stated = whole(rows, rows.shape[1] - 2, 2, big=big)
        if _holds((stated - total) & 0xFFFF, 1 << 16):
            yield "a sum of 16 bits"
        elif _holds((stated + total) & 0xFFFF, 1 << 16):
            yield "a sum of 16 bits, negated"
    twice = (before * np.arange(before.shape[1], 0, -1)).sum(axis=1)
    for one, other in ((rows[:, -2], rows[:, -1]), (rows[:, -1], rows[:, -2])):
        if _holds((one - total) % 255, 255) and _holds((other - twice) % 255, 255):
            yield "a Fletcher sum of 16 bits"


def _follows(rows: Rows, end: int) -> bool:
    """Whether all bits from byte ``end`` on are sums in GF(2) of the bits before."""
    bits = np.unpackbits(rows[:, :end], axis=1)
    bits = bits[:, (bits != bits[0]).any(axis=0)]
    known = np.packbits(np.concatenate([bits, np.ones((len(rows), 1), np.uint8)], axis=1), axis=1)
    given = [int.from_bytes(row.tobytes()) for row in known]
    made = [int.from_bytes(row.tobytes()) for row in np.ascontiguousarray(rows[:, end:])]
    return any(_fits(given, made, order) for order in range(ORDERS))


def _fits(given: list[int], made: list[int], order: int) -> bool:
    """Whether records that are sums of others have a check that is the sum of theirs."""
    basis: dict[int, tuple[int, int]] = {}
    right = wrong = 0
    for number in np.random.default_rng(order).permutation(len(given)).tolist():
        left, check = given[number], made[number]
        while left:
            top = left.bit_length()
            if top not in basis:
                basis[top] = left, check
                break
            left ^= basis[top][0]
            check ^= basis[top][1]
        else:
            right, wrong = right + (check == 0), wrong + (check != 0)
            if right + wrong == FEWEST_TOLD // 2 and wrong > right:
                return False
    return right >= FEWEST_TOLD and right >= HOLDS * (right + wrong)


def _sent_twice(rows: Rows, end: int) -> bool:
    """Whether each bit is another one of the record, or its opposite: they say the same again."""
    bits = np.unpackbits(rows, axis=1)
    bits ^= bits[0]
    before = {column.tobytes() for column in bits[:, : 8 * end].T}
    return all(column.tobytes() in before for column in bits[:, 8 * end :].T if column.any())

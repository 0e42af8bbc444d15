"""Whether codes are counted from zero or from the middle: by how they move, and by those beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import FoundField, Rows, signed, signed_is_closer, whole

CLEARLY = 1.25
"""By so much must one reading go less far than the other: what turns round jumps as often in both."""

RAIL, BETWEEN = 0.05, 0.1
"""Shares of codes at both ends of the range, and far from them, that show where a clipped signal ends."""

FAR = 1 / 16
"""Part of the range from its ends within which a code is near them."""


def told_sign(value: NDArray[np.int64], width: int) -> str | None:
    """Give "i" or "u" where the codes of a channel tell it, in the order of time; else None.

    A signal that crosses zero jumps from one end of an unsigned range to the other, and one that crosses the
    middle does so in a signed one. One that clips at both ends of the range stands there.
    """
    high = value >> (8 * width - 1) != 0
    if high.all() or not high.any():
        return None
    ways = [_clips(value ^ flipped, width) for flipped in (np.int64(1 << (8 * width - 1)), np.int64(0))]
    if ways[0] != ways[1]:
        return "i" if ways[0] else "u"
    as_signed, plain = (float(np.abs(np.diff(way)).sum()) for way in (signed(value, width), value))
    if as_signed * CLEARLY < plain:
        return "i"
    return "u" if plain * CLEARLY < as_signed else None


def _clips(value: NDArray[np.int64], width: int) -> bool:
    """Whether codes, counted from the lowest possible one, stand at both ends of the range."""
    top = (1 << (8 * width)) - 1
    low_bits = int(np.bitwise_or.reduce(value))
    highest = top & ~((low_bits & -low_bits) - 1)
    near = np.minimum(value, highest - value) < FAR * top
    ends = [float(np.mean(value == end)) for end in (0, highest)]
    if min(ends) < RAIL or float(np.mean(~near)) < BETWEEN:
        return False
    # Of what only passes there, as many are beside.
    return sum(ends) > 0.5 * float(np.mean(near))


def of_one_sign(
    fields: Sequence[FoundField], values: Mapping[FoundField, NDArray[np.int64]]
) -> tuple[list[FoundField], list[FoundField]]:
    """Give each channel the sign that its codes tell, or else that of others of its width.

    Parameters
    ----------
    fields
        All of a record.
    values
        Codes of the channels that have a sign, in the order of time, unsigned.

    Returns
    -------
    fields, doubtful
        ``doubtful`` are those that may as well have the other sign, with other values.
    """
    told = {one: told_sign(value, one.width) for one, value in values.items()}
    found, doubtful = [], []
    for one in fields:
        if one not in values:
            found.append(one)
            continue
        others = {
            sign for other, sign in told.items() if sign and other is not one and other.width == one.width
        }
        sign = told[one]
        if sign is None:
            sign = next(iter(others)) if len(others) == 1 else _closer(values[one], one.width)
        found.append(replace(one, type=f"{sign}{8 * one.width}"))
        if _may_be_other(values[one], one.width, told[one], others):
            doubtful.append(found[-1])
    return found, doubtful


def _closer(value: NDArray[np.int64], width: int) -> str:
    if (value >> (8 * width - 1)).all():
        return "i" if _near(value, 0, width) else "u"
    return "i" if signed_is_closer(value, width) else "u"


def _near(value: NDArray[np.int64], level: int, width: int) -> bool:
    """Whether codes are mostly near this one, around a full turn the short way."""
    off = signed((value - level) & ((1 << (8 * width)) - 1), width)
    return float(np.mean(np.abs(off) < FAR * (1 << (8 * width)))) > 0.5


def _may_be_other(value: NDArray[np.int64], width: int, own: str | None, others: set[str]) -> bool:
    """Whether codes that tell no sign, or another one than those of the others, may have either."""
    if own is not None:
        return bool(others) and own not in others
    # Counted either way the lower half is the same; a little below zero, or above the middle, is no doubt.
    high = value >> (8 * width - 1)
    if others or not high.any() or _near(value, 0, width):
        return bool(high.all()) and others == {"i"} and not _near(value, 0, width)
    return not _near(value, 1 << (8 * width - 1), width)


def codes_of(rows: Rows, one: FoundField, scans: Sequence[FoundField], *, big: bool) -> NDArray[np.int64]:
    """Codes of one channel in the order of time, from all its scans in each record."""
    return np.stack([whole(rows, each.begin, one.width, big=big) for each in scans], axis=1).reshape(-1)

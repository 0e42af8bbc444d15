"""Fields wider than their codes: high bytes that are empty, or the sign once more, belong to the field below.

A cut takes such bytes for spare ones or for channels of their own, since they hardly move. Where several
fields in a row show the same, they are one width.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import FoundField, Rows, signed, signed_is_closer, typical, whole

FEWEST = 2
"""Fields in a row that must show it."""

MOST_TOP = 256
"""How far the upper half of a code of up to 24 bits goes from zero."""

FITS = 0.995
"""Share of records in which it must be so; the rest may be damage."""

LEAST_CLEAR = 0.2
"""Share of records that must lie far from the middle of the low half's range, where its sign is sure."""


def widened(fields: list[FoundField], rows: Rows, *, big: bool) -> list[FoundField]:
    """Join channels with the high bytes beside them, where fields in a row have such of one width."""
    best: tuple[int, int, list[FoundField]] | None = None
    for low, top in ((2, 2), (1, 1), (3, 1), (1, 3)):
        for first in range(len(fields)):
            run = _run(fields, first, low, top, rows, big=big)
            # One alone must be all there is, and its upper half must move.
            alone = all(one.role != "pad" for one in fields[first : run[0]])
            if len(run[1]) >= (1 if alone else FEWEST) and (best is None or len(run[1]) > len(best[2])):
                best = first, run[0], run[1]
    if best is None:
        return fields
    first, stop, joined = best
    channels = sum(one.role == "channel" for one in fields)
    taken = sum(one.role == "channel" for one in fields[first:stop])
    if taken < (0.6 if len(joined) >= FEWEST else 1.0) * channels:
        return fields
    left = _rest(fields, joined)
    return sorted([*left, *joined], key=lambda one: one.begin)


def _rest(fields: list[FoundField], joined: list[FoundField]) -> list[FoundField]:
    """Give what the joined fields leave of the others: of a pad that holds more, the rest of it."""
    begin, end = joined[0].begin, joined[-1].begin + joined[-1].width
    rest = []
    for one in fields:
        before = min(one.begin + one.width, begin) - one.begin
        after = one.begin + one.width - max(one.begin, end)
        if before == one.width or after == one.width:
            rest.append(one)
            continue
        if before > 0:
            rest.append(FoundField(one.begin, f"pad{before}", before, "pad"))
        if after > 0:
            rest.append(FoundField(end, f"pad{after}", after, "pad"))
    return rest


def _run(
    fields: list[FoundField], first: int, low: int, top: int, rows: Rows, *, big: bool
) -> tuple[int, list[FoundField]]:
    """Join pairs from a field on, as many as follow each other; also returns the number of the next field."""
    joined: list[FoundField] = []
    at = first
    # The first of big ones may end a longer pad; the last of little ones may begin one.
    while at + 1 < len(fields):
        one, other = fields[at], fields[at + 1]
        channel, above = (other, one) if big else (one, other)
        if channel.role != "channel" or channel.width != low or channel.type == "f32":
            break
        if above.width > top and above.role == "pad" and ((big and at == first) or not big):
            begin = above.begin + above.width - top if big else above.begin
            last = not big
        elif above.width == top and above.role in ("pad", "channel") and above.type != "f32":
            begin, last = above.begin, False
        else:
            break
        if joined and min(begin, channel.begin) != joined[-1].begin + joined[-1].width:
            break
        if not _is_top(whole(rows, channel.begin, low, big=big), whole(rows, begin, top, big=big), low, top):
            break
        width = low + top
        value = whole(rows, min(begin, channel.begin), width, big=big)
        kind = "i" if signed_is_closer(value, width) else "u"
        joined.append(FoundField(min(begin, channel.begin), f"{kind}{8 * width}", width, "channel"))
        at += 2
        if last:
            break
    return at, joined


def _is_top(low: NDArray[np.int64], top: NDArray[np.int64], low_width: int, top_width: int) -> bool:
    """Whether high bytes go on from the low ones: empty, or near zero and changing where those carry."""
    if not top.any():
        return True
    turn = np.int64(1 << (8 * low_width))
    high = signed(top, top_width)
    most = MOST_TOP if top_width > 1 else 64
    if np.mean(np.abs(high) <= most) < FITS:
        return False
    if np.mean((high == 0) | (high == -1)) >= FITS:
        # A sign: that of the low half, wherever this is far from the middle of its range.
        clear = (low < turn // 4) | (low >= turn - turn // 4)
        fits = (high == -1) == (low >= turn // 2)
        if np.mean(clear) > LEAST_CLEAR and np.mean(fits[clear]) >= FITS and (high == -1).any():
            return True
    joined = high * turn + low
    changed = np.diff(high) != 0
    if not changed.any():
        return False
    steps = np.abs(np.diff(joined))
    quiet = typical(steps[~changed].astype(np.float64)) if (~changed).any() else float(turn)
    if quiet < turn / 8:
        return bool(np.mean(steps[changed] < turn / 2) >= 0.9)
    # It goes so far at a time that the low half tells nothing: what is above goes on smoothly.
    second = np.abs(np.diff(high, n=2))
    return typical(second.astype(np.float64)) < max(4.0, 0.3 * float(np.ptp(high)))

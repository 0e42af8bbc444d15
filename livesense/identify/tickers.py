"""Fields that go up by themselves: counters, and clocks of the device."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STEADY = 0.9
"""Share of records from which a field must go up by nearly the same amount."""

COUNTS = 0.97
"""Share of records in which a counter goes up by its step; some records may be lost."""

MOST_DAMAGED = 2
"""Records in which a counter may seem to stand still, since damage hit it."""

LEAST_TRAVEL = 1024.0
"""A clock goes at least so far in all, and so many steps: a ramp of a channel ends sooner."""
LEAST_STEPS = 32

COUNTED_BELOW = 64.0
"""The lower half may be a counter of scans, which goes up by so many at most."""

MOST_SHARE = 1 / 64
"""Of its range a field goes up by less than this at a time, else it may be anything."""

LONGEST_STEP = 2e6
"""Two seconds of microseconds: slower records are none that a motor's current is read by."""


SAME_RATE = 1.2
"""How far a rate may be from what a clock would show, either way."""


def may_be_ms(per_s: float | None) -> bool:
    """Whether what goes up by one so often a second may be milliseconds; None: nobody knows how often."""
    return per_s is None or 1000 / SAME_RATE < per_s < 1000 * SAME_RATE


@dataclass(frozen=True, slots=True)
class Ticks:
    """How a field goes up: its mean step from record to record, and whether all steps are the same."""

    step: float
    exact: bool


def steps_of(value: NDArray[np.int64], width: int) -> NDArray[np.int64]:
    """Give steps between records of a field of ``width`` bytes, around a full turn the short way."""
    half = np.int64(1 << (8 * width - 1))
    steps: NDArray[np.int64] = ((np.diff(value) & ((1 << (8 * width)) - 1)) ^ half) - half
    return steps


def ticks(value: NDArray[np.int64], width: int, damaged: int = MOST_DAMAGED) -> Ticks | None:
    """Tell whether a field goes up by nearly the same amount from record to record.

    Parameters
    ----------
    value
        ``(records,)`` unsigned.
    width
        Bytes of the field.
    damaged
        Records in which a counter may seem to stand still.
    """
    steps = steps_of(value, width)
    if len(steps) < 8 or not steps.any():
        return None
    middle = float(np.median(steps))
    if middle and np.mean(steps & 0xFF == 0) >= STEADY:
        # The lowest byte stands still: what goes up is above it.
        return None
    found = None
    if middle >= 1:
        found = _steady(steps, middle, width, damaged)
    if found is None and middle < MS_BELOW:
        found = _rhythmic(steps)
    if found is None or not _carries(value, width):
        return None
    if _rests_below(steps, found.step, width) or (not found.exact and _counts_above(value, width)):
        return None
    return found


def _rests_below(steps: NDArray[np.int64], step: float, width: int) -> bool:
    """Whether the lower half goes nowhere on the whole, so that it is another field and the clock lies above.

    The steps of a clock scatter about a number that is hardly ever a whole multiple of the lower half's turn.
    """
    if width < 4 or step < 1 << 16:
        return False
    off = float(np.median(steps)) % (1 << 16)
    off = min(off, (1 << 16) - off)
    near = steps[np.abs(steps - step) <= max(1.0, 0.2 * step)]
    scatter = float(np.mean(np.abs(near - np.median(near)))) if len(near) else 0.0
    return off <= max(scatter, COUNTED_BELOW)


def _counts_above(value: NDArray[np.int64], width: int) -> bool:
    """Whether the higher bytes count by themselves, so that the lower ones are another field.

    Those of a clock go up by one less or one more now and then, when the lower ones carry.
    """
    for lower in range(1, width):
        steps = steps_of(value >> (8 * lower), width - lower)
        usual = int(np.median(steps))
        if usual and np.mean(steps == usual) >= COUNTS and np.mean(steps == usual - 1) < 1e-3:
            return True
    return False


def _steady(steps: NDArray[np.int64], middle: float, width: int, damaged: int) -> Ticks | None:
    if middle > min(LONGEST_STEP, (1 << (8 * width)) * MOST_SHARE):
        whole_turn = (1 << (8 * width)) / 4
        return Ticks(middle, True) if middle <= whole_turn and np.mean(steps == middle) > 0.95 else None
    near = np.abs(steps - middle) <= max(1.0, 0.2 * middle)
    if np.count_nonzero(near) < STEADY * len(steps):
        return None
    # A clock that ticks with the records stands still now and then; a counter never does.
    even = bool(np.mean(steps == middle) >= STEADY)
    exact = even and bool(np.count_nonzero(steps == 0) <= damaged)
    # A channel that ramps does so for a while; whoever counts does so all the time.
    travelled = float(np.sum(steps[near]))
    if not even and (travelled < LEAST_TRAVEL or np.count_nonzero(near) < LEAST_STEPS):
        return None
    if not exact and middle < 3 and np.mean((steps >= 0) & (steps <= middle + 1)) < 0.98:
        return None
    return Ticks(float(np.mean(steps[near])), exact)


def _rhythmic(steps: NDArray[np.int64]) -> Ticks | None:
    """Take a clock that goes up by one number or the next in an even rhythm: of whole milliseconds."""
    base = int(np.floor(np.median(steps)))
    for low in (base - 1, base):
        if low < 0 or np.mean((steps == low) | (steps == low + 1)) < 0.98:
            continue
        rare = low + 1 if np.count_nonzero(steps == low + 1) <= np.count_nonzero(steps == low) else low
        at = np.flatnonzero(steps == rare)
        # Nothing but a clock goes up every time.
        if len(at) < (16 if low == 0 else 8):
            continue
        apart = np.diff(at)
        usual = float(np.median(apart))
        if np.mean(np.abs(apart - usual) <= max(1.0, 0.1 * usual)) >= STEADY:
            share = len(apart) / float(apart.sum())
            return Ticks(low + (share if rare > low else 1 - share), exact=False)
    return None


def _carries(value: NDArray[np.int64], width: int) -> bool:
    """Whether higher bytes go up where the lower begin anew, and only there."""
    for lower in range(1, width):
        below, above = value & ((1 << (8 * lower)) - 1), np.diff(value >> (8 * lower))
        if belongs_below(value >> (8 * lower), below, lower) is False:
            return False
        wraps = np.diff(below) < 0
        if np.mean(wraps) > 0.5:
            # It goes up by so much at a time that the lower bytes tell nothing.
            continue
        # What is down in one record alone, or up, was damage.
        lasting = wraps[1:-1] & (below[2:-1] < below[:-3]) & (below[3:] < below[1:-2])
        if lasting.any() and np.mean(above[1:-1][lasting] != 0) <= 0.7:
            return False
        # What is above may have a reason of its own to change, where the lower ones go on as ever.
        usual = np.diff(below) == np.median(np.diff(below))
        stays = (above[1:-1] != 0) & (above[2:] == 0) & (above[:-2] == 0)
        alone = np.count_nonzero(stays & ~wraps[1:-1] & usual[1:-1])
        loose = alone > np.count_nonzero(stays & wraps[1:-1]) or np.mean(above[~wraps] == 0) <= 0.9
        if loose and float(np.median(np.diff(value))) < 1 << (8 * lower):
            return False
    return True


FEWEST_TURNS = 4
"""Records in which the lower bytes begin anew, from which carries are told."""
SPARED = 8
"""Steps, and one in fifty, that may go anywhere."""
MOST_UNSURE = 0.15
UNEVEN = 0.05
"""Share of records in which what is above may go on unevenly without the lower bytes' doing: by damage."""


def belongs_below(upper: NDArray[np.int64], lower: NDArray[np.int64], width: int) -> bool | None:
    """Tell whether bytes are the lower part of what goes on above them; None where nothing tells.

    What the lower part falls by where it begins anew, the upper one makes good at that very record; of
    fields that have nothing to do with each other it does not.

    Parameters
    ----------
    upper, lower
        ``(records,)`` unsigned.
    width
        Bytes of the lower part.
    """
    turn = float(1 << (8 * width))
    below, above = np.diff(lower).astype(np.float64), np.diff(upper).astype(np.float64)
    # Where records were lost or damaged, or pieces of a stream meet, both together go far.
    off = np.abs(above * turn + below - np.median(above * turn + below))
    kept = np.sort(off)[: max(FEWEST_TURNS, len(off) - SPARED - len(off) // 50)][-1]
    below, above = below[off <= kept], above[off <= kept] * turn
    turns = int(np.count_nonzero(np.abs(below) > turn / 4))
    uneven = int(np.count_nonzero(above != np.median(above)))
    if uneven > 3 * turns + max(FEWEST_TURNS, UNEVEN * len(above)):
        # What is above goes now faster, now slower, and nothing below begins anew meanwhile.
        return False
    if turns < FEWEST_TURNS:
        return None
    below -= below.mean()
    above -= above.mean()
    size = float(below @ below)
    # The standard error of a slope; 1 and 0 are to be told apart.
    if math.sqrt(float(np.sum((above + below) ** 2)) / size / len(below)) > MOST_UNSURE:
        return None
    return -float(below @ above) / size > 0.5


MS_BELOW = 8.0
"""Steps of a clock that are too small for microseconds."""
US_ABOVE, US_ABOVE_TEXT = 50.0, 200.0
"""Steps that are too large for milliseconds: so few records a second, or lines, tell nothing of a motor."""

FASTEST, FASTEST_TEXT = 1.2, 0.6
"""Bytes in a microsecond that a line carries: USB at full speed, and half of it (no source)."""


def clock_unit(
    step: float, size: float, records_per_s: float | None, *, text: bool = False
) -> tuple[str, bool]:
    """Name the clock by its step, and say whether another unit would do as well.

    Parameters
    ----------
    step
        Mean step from record to record.
    size
        Bytes of a record or line.
    records_per_s
        As they arrived; None where that is not known.
    text
        Whether it is a line of text.
    """
    if records_per_s is not None:
        us_off, ms_off = (abs(np.log(records_per_s * step / per_s)) for per_s in (1e6, 1e3))
        return ("t_us" if us_off < ms_off else "t_ms"), min(us_off, ms_off) < np.log(2)
    fastest, above = (FASTEST_TEXT, US_ABOVE_TEXT) if text else (FASTEST, US_ABOVE)
    if step < MS_BELOW or size / step > 4 * fastest:
        return "t_ms", True
    if size / step > fastest:
        return "t_ms", False
    return "t_us", step >= above

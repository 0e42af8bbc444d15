"""Stretches of a run, by its currents alone: standstill, align, start, steady, changes, braking.

Words of the trade; the rules are our own and stand below in full. A step (20 ms) is *still* when the current
vector is shorter than what counts as no current, *aligned* when there is current and it turns by less than
30° within 0.2 s, else it *turns*. Where it turns, it is *steady* within half a second in which frequency and
current keep to a few per cent. What lies between tells itself by its neighbours.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.measures.rotation import Rotation
from livesense.samples import BoolArray, FloatArray

AROUND_S = 0.2
ALIGNED_TURNS = 1 / 12
"""Turned by less within AROUND_S, a current is held in place."""

LASTS_S = 0.1
"""Shorter than this, a state is a flicker and belongs to what was before."""

STEADY_S = 0.5
STEADY_SPEED = 0.02
STEADY_HZ = 0.5
STEADY_CURRENT = 0.1
"""Within STEADY_S, how far frequency (relative, or in Hz where that is more) and current may range."""

SETTLED_SPEED = 0.004
SETTLED_CURRENT = 0.03
"""Ends of a steady part that lie further from its median than this still settle, and belong to the change."""

SAME_SPEED = 0.03
"""Two steady states whose speeds differ by less differ by their load."""

LET_GO_HZ = 2.0
"""A current that is gone while the machine turned faster than this was let go, and not brought to rest."""

STILL, ALIGNED, TURNING = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Stretch:
    """Steps ``first`` to ``stop`` (not included) of one kind.

    ``kind`` is "standstill", "align", "start", "steady", "load change", "speed change", "braking" or
    "changing"; ``frequency_hz`` and ``length`` are its means (with sign; peak). ``let_go`` marks a
    standstill that begins while the machine still turned: the current is gone, and whether it coasts cannot
    be seen.
    """

    kind: str
    first: int
    stop: int
    frequency_hz: float
    length: float
    let_go: bool = False


def find_stretches(steps: Rotation, still_a: float) -> list[Stretch]:
    """Find the stretches of one whole piece of a run.

    Parameters
    ----------
    still_a
        Length of the current vector (A, peak) below which there is no current.
    """
    if steps.time_s.size == 0:
        return []
    around = max(1, round(AROUND_S / steps.step_s / 2))
    # Without current the angle is that of the noise; a step that begins there does not know where from.
    still = steps.length < still_a
    still[1:] |= still[:-1].copy()
    believed = np.where(still, 0.0, steps.turned)
    speed = _over(believed, around) / steps.step_s
    states = _states(steps, speed, still_a)
    found: list[Stretch] = []
    for begin, end in _runs(states):
        state = int(states[begin])
        if state == TURNING:
            # Within the piece alone: what lies beyond its ends is another state.
            within = _over(believed[begin:end], around) / steps.step_s
            length = _over(steps.length[begin:end], around)
            found += _turning(begin, within, length, steps, found, last=end == states.size)
            continue
        kind = "standstill" if state == STILL else "align"
        # The means around the last steps hold those without current: look before them.
        turned = bool(found) and abs(speed[max(0, begin - 1 - around)]) > LET_GO_HZ
        found.append(_stretch(kind, begin, end, steps, let_go=bool(state == STILL and turned)))
    return found


def _over(values: FloatArray, half: int) -> FloatArray:
    """Average ``2 half + 1`` neighbours, fewer at the ends; ``(m,)``."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, values.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _states(steps: Rotation, speed: FloatArray, still_a: float) -> NDArray[np.int64]:
    turns = np.abs(speed) * AROUND_S
    states = np.where(steps.length < still_a, STILL, np.where(turns < ALIGNED_TURNS, ALIGNED, TURNING))
    least = max(1, round(LASTS_S / steps.step_s))
    # Flickers join what was before; at the very beginning, what comes after.
    for begin, end in _runs(states):
        if end - begin < least:
            states[begin:end] = states[begin - 1] if begin else states[min(end, states.size - 1)]
    return states


def _runs(states: NDArray[np.int64] | BoolArray) -> list[tuple[int, int]]:
    """List ``[begin, end)`` of equal neighbours."""
    cuts = np.flatnonzero(np.diff(states.astype(np.int64))) + 1
    edges = [0, *cuts.tolist(), states.size]
    return list(itertools.pairwise(edges))


def _turning(
    begin: int,
    speed: FloatArray,
    length: FloatArray,
    steps: Rotation,
    before: Sequence[Stretch],
    *,
    last: bool,
) -> list[Stretch]:
    """Take a piece that turns apart: what is steady in it, and what the rest is by its neighbours."""
    steady = _steady(speed, length, max(2, round(STEADY_S / steps.step_s)))
    least = max(1, round((LASTS_S + AROUND_S / 2) / steps.step_s))
    for a, b in _runs(steady):
        # What is too short to be a change belongs to the steady part beside it.
        if b - a < least and not steady[a] and steady.any():
            steady[a:b] = True
    pieces = [(begin + a, begin + b, bool(steady[a])) for a, b in _runs(steady)]
    found: list[Stretch] = []
    for number, (a, b, is_steady) in enumerate(pieces):
        if is_steady:
            found.append(_stretch("steady", a, b, steps))
            continue
        previous = found[-1] if found else None
        following = pieces[number + 1] if number + 1 < len(pieces) else None
        kind = "changing"
        if previous is None:
            began_at_rest = bool(before) and before[-1].kind in ("standstill", "align")
            kind = "start" if began_at_rest else "changing"
        if previous is not None and following is not None:
            after_hz = float(np.mean(steps.frequency_hz[following[0] : following[1]]))
            same = abs(after_hz / previous.frequency_hz - 1) < SAME_SPEED
            kind = "load change" if same else "speed change"
        elif following is None and not last and abs(speed[b - 1 - begin]) < abs(speed[a - begin]):
            kind = "braking" if previous is not None else kind
        found.append(_stretch(kind, a, b, steps))
    return found


def _steady(speed: FloatArray, length: FloatArray, window: int) -> BoolArray:
    """Tell which steps lie within a window that is steady as a whole; ``(m,)``."""
    m = speed.size
    steady = np.zeros(m, dtype=np.bool_)
    if m < window:
        return steady
    speeds = np.lib.stride_tricks.sliding_window_view(speed, window)
    lengths = np.lib.stride_tricks.sliding_window_view(length, window)
    mean = np.abs(speeds.mean(axis=1))
    good = np.ptp(speeds, axis=1) <= np.maximum(STEADY_SPEED * mean, STEADY_HZ)
    good &= np.ptp(lengths, axis=1) <= STEADY_CURRENT * lengths.mean(axis=1)
    for at in np.flatnonzero(good):
        steady[at : at + window] = True
    for begin, end in _runs(steady):
        if steady[begin]:
            _trim(steady, begin, end, speed, length)
    return steady


def _trim(steady: BoolArray, begin: int, end: int, speed: FloatArray, length: FloatArray) -> None:
    """Take off the ends of a steady part what still settles, against its medians."""
    usual_hz, usual_a = float(np.median(speed[begin:end])), float(np.median(length[begin:end]))
    settled = np.abs(speed[begin:end] - usual_hz) <= max(SETTLED_SPEED * abs(usual_hz), STEADY_HZ)
    settled &= np.abs(length[begin:end] - usual_a) <= SETTLED_CURRENT * usual_a
    at = np.flatnonzero(settled)
    steady[begin : begin + at[0]] = False
    steady[begin + at[-1] + 1 : end] = False


def _stretch(kind: str, first: int, stop: int, steps: Rotation, *, let_go: bool = False) -> Stretch:
    return Stretch(
        kind,
        first,
        stop,
        float(np.mean(steps.frequency_hz[first:stop])) if kind not in ("standstill", "align") else 0.0,
        float(np.mean(steps.length[first:stop])),
        let_go,
    )

"""Stretches of a run, by its currents alone: standstill, align, start, steady, changes, braking.

Words of the trade; the rules are our own and stand below in full. A step (20 ms) is *still* when the current
vector is shorter than what counts as no current, *aligned* when there is current and it turns by less than
30° within 0.2 s, else it *turns*. Where it turns, it is *steady* within half a second in which frequency and
current keep to a few per cent. What lies between tells itself by its neighbours.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

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

ENDS_OF = 6
"""An end is held against so many times STEADY_S of its steady part: slow drift is none that settles."""

SAME_SPEED = 0.03
"""Two steady states whose speeds differ by less differ by their load."""

LET_GO_HZ = 2.0
"""A current that is gone while the machine turned faster than this was let go, and not brought to rest."""

_AT_ONCE = 4096
"""So many windows are looked at together: a run of days would fill the memory."""

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
    steps
        As :func:`believed` makes them, for the same ``still_a``.
    still_a
        Length of the current vector (A, peak) below which there is no current.
    """
    if steps.time_s.size == 0:
        return []
    around = max(1, round(AROUND_S / steps.step_s / 2))
    speed = _over(steps.turned, around) / steps.step_s
    states = _states(steps, speed, still_a)
    found: list[Stretch] = []
    for begin, end in _runs(states):
        state = int(states[begin])
        if state == TURNING:
            # Within the piece alone: what lies beyond its ends is another state.
            within = _softly_over(steps.turned[begin:end], around) / steps.step_s
            length = _over(steps.length[begin:end], around)
            found += _turning(begin, within, length, steps, found, last=end == states.size)
            continue
        kind = "standstill" if state == STILL else "align"
        # The means around the last steps hold those without current: look before them.
        turned = bool(found) and abs(speed[max(0, begin - 1 - around)]) > LET_GO_HZ
        found.append(_stretch(kind, begin, end, steps, let_go=bool(state == STILL and turned)))
    return found


def believed(steps: Rotation, still_a: float) -> Rotation:
    """Take out what turns without current: there the angle is that of the noise.

    A step within which the current goes out turns as the one before it, one within which it comes as the
    one behind it. Between others edges are soft: each scan counts less and less up to the middles of the
    steps beside.
    """
    still = steps.length < still_a
    turned = np.where(still, 0.0, steps.turned)
    goes = np.flatnonzero(still[1:] & ~still[:-1])
    comes = np.flatnonzero(still[:-1] & ~still[1:]) + 1
    noisy = still.copy()
    noisy[goes] = noisy[comes] = True
    # What a step gives the next one and takes of it: with hard edges, one jump of 60° more or less falls
    # within a step, which beats with their length.
    given = np.where(noisy[:-1] | noisy[1:], 0.0, steps.late[:-1] - steps.early[1:])
    turned[1:] += given
    turned[:-1] -= given
    turned[goes] = turned[np.maximum(goes - 1, 0)]
    turned[comes] = turned[np.minimum(comes + 1, turned.size - 1)]
    return replace(steps, turned=turned)


def _over(values: FloatArray, half: int) -> FloatArray:
    """Average ``2 half + 1`` neighbours, fewer at the ends; ``(m,)``."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    low, high = np.maximum(at - half, 0), np.minimum(at + half + 1, values.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _softly_over(values: FloatArray, half: int) -> FloatArray:
    """Average the same neighbours, the middle one most.

    A vector that goes on in jumps of 60° is no faster where one jump more falls within.
    """
    weights = np.convolve(np.ones(half + 1), np.ones(half + 1))
    reach = slice(half, half + values.size)
    return np.asarray(np.convolve(values, weights)[reach] / np.convolve(np.ones(values.size), weights)[reach])


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
    window = max(2, round(STEADY_S / steps.step_s))
    steady = _steady(speed, length, window)
    least = max(1, round((LASTS_S + AROUND_S / 2) / steps.step_s))
    # What is too short to be a change belongs to the steady part beside it.
    _fill(steady, speed, length, window, most=least - 1)
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
    settled = np.zeros(m, dtype=np.bool_)
    chosen = np.flatnonzero(good)
    for part in np.split(chosen, range(_AT_ONCE, chosen.size, _AT_ONCE)):
        steady[part[:, None] + np.arange(window)] = True
        row, column = np.nonzero(_settled(speeds[part], lengths[part], slice(None)))
        settled[part[row] + column] = True
    for begin, end in _runs(steady):
        if not steady[begin]:
            continue
        # Windows reach into a change from both sides, and may meet there.
        within = slice(begin, end)
        steady[within] = settled[within]
        _fill(steady[within], speed[within], length[within], window, most=end - begin)
    for begin, end in _runs(steady):
        if steady[begin]:
            _trim(steady, begin, end, speed, length, ENDS_OF * window)
    return steady


def _settled(speed: FloatArray, length: FloatArray, usual: slice) -> BoolArray:
    """Tell which steps lie near the medians of some of them; ``(m,)``, or ``(k, m)`` row by row."""
    usual_hz, usual_a = (np.median(v[..., usual], axis=-1, keepdims=True) for v in (speed, length))
    settled = np.abs(speed - usual_hz) <= np.maximum(SETTLED_SPEED * np.abs(usual_hz), STEADY_HZ)
    return np.asarray(settled & (np.abs(length - usual_a) <= SETTLED_CURRENT * usual_a))


def _fill(steady: BoolArray, speed: FloatArray, length: FloatArray, window: int, most: int) -> None:
    """Take as steady what is short and lies between steady parts that are alike, or beside one at an end."""
    runs = _runs(steady)
    if len(runs) == 1:
        return
    for number, (begin, end) in enumerate(runs):
        if steady[begin] or end - begin > most:
            continue
        if 0 < number < len(runs) - 1:
            # Only what directly adjoins: behind it may be the next change.
            before = slice(max(runs[number - 1][0], begin - window), begin)
            after = slice(end, min(runs[number + 1][1], end + window))
            hz, amperes = ([float(np.median(v[s])) for s in (before, after)] for v in (speed, length))
            if abs(hz[1] - hz[0]) > max(STEADY_SPEED * abs(hz[0]), STEADY_HZ):
                continue
            if abs(amperes[1] - amperes[0]) > STEADY_CURRENT * amperes[0]:
                continue
        steady[begin:end] = True


def _trim(steady: BoolArray, begin: int, end: int, speed: FloatArray, length: FloatArray, near: int) -> None:
    """Take off the ends of a steady part what still settles, against the medians of what is near."""
    early = _settled(speed[begin:end], length[begin:end], slice(0, near))
    late = _settled(speed[begin:end], length[begin:end], slice(max(0, end - begin - near), None))
    steady[begin : begin + int(early.argmax())] = False
    steady[end - int(late[::-1].argmax()) : end] = False


def _stretch(kind: str, first: int, stop: int, steps: Rotation, *, let_go: bool = False) -> Stretch:
    return Stretch(
        kind,
        first,
        stop,
        float(np.mean(steps.frequency_hz[first:stop])) if kind not in ("standstill", "align") else 0.0,
        float(np.mean(steps.length[first:stop])),
        let_go,
    )

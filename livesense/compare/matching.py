"""Where two runs are alike: windows of the same speed and current."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.measures.sine_fit import SineFit, fit_line
from livesense.measures.three_phase import PHASES
from livesense.reach import reach
from livesense.samples import FloatArray

WINDOW_S = 0.5
MOST_WINDOWS = 60
"""Looked at in each run, spread evenly over it."""

SPEED_SHARE = 0.02
CURRENT_SHARE = 0.05
"""How far speed and current may differ and still count as the same state of the machine."""

AT_REST = 0.01
"""Share of what channels can read below which their current is no load."""


@dataclass(frozen=True, slots=True)
class State:
    """One window: its time, and how fast and how loaded the machine was; 0 Hz is a standstill."""

    from_s: float
    to_s: float
    frequency_hz: float
    rms_a: float


@dataclass(frozen=True, slots=True)
class Match:
    """Two windows that are alike, or the nearest two and why they are not."""

    first: State
    second: State
    why_not: str | None = None


def current_names(analysis: RunAnalysis) -> list[str]:
    """Name a run's measured phase currents, one for each phase."""
    found: dict[str, str] = {}
    for channel in analysis.channels:
        if channel.quantity == "current" and channel.phase in PHASES and not channel.computed:
            found.setdefault(str(channel.phase), channel.name)
    return list(found.values())


def states(analysis: RunAnalysis, from_s: float | None = None, to_s: float | None = None) -> list[State]:
    """Look at windows spread evenly over a run, or over a part of it, that are steady by themselves."""
    names = current_names(analysis)
    if not names:
        return []
    begin_s, end_s = analysis.extent_s()
    begin_s = begin_s if from_s is None else max(from_s, begin_s)
    end_s = end_s if to_s is None else min(to_s, end_s)
    length_s = min(WINDOW_S, end_s - begin_s)
    if length_s <= 0:
        return []
    count = min(MOST_WINDOWS, max(1, int((end_s - begin_s) / length_s)))
    found = []
    rest = AT_REST * reach(analysis, [analysis.chain.channels[n] for n in names])
    for start_s in np.linspace(begin_s, end_s - length_s, count):
        state = _state(analysis, names, rest, float(start_s), float(start_s) + length_s)
        if state is not None:
            found.append(state)
    return found


def _state(
    analysis: RunAnalysis, names: Sequence[str], rest: float, from_s: float, to_s: float
) -> State | None:
    windows = [w for w in analysis.window(from_s, to_s, names) if set(names) <= set(w.values)]
    if not windows:
        return None
    window = max(windows, key=lambda w: len(w.time_s))
    values = np.stack([window.values[name] for name in names], axis=1)
    if len(values) < 32 or not np.all(np.isfinite(values)):
        return None
    if _rms(values - values.mean(axis=0)) < rest:
        # Direct currents of an align step are no standstill without load.
        return State(from_s, to_s, 0.0, 0.0) if _rms(values) < rest else None
    fit = fit_line(values, window.rate_hz)
    if not isinstance(fit, SineFit):
        return None
    return State(from_s, to_s, fit.frequency_hz.value, _rms(values))


def _rms(values: FloatArray) -> float:
    return math.sqrt(float(np.mean(values**2)))


def match(first: Sequence[State], second: Sequence[State]) -> Match | None:
    """Pair the windows of two runs that are most alike; where several are, the most loaded ones.

    None where one of them has no steady window at all.
    """
    best: tuple[float, Match] | None = None
    for a in first:
        for b in second:
            distance = _distance(a, b)
            # Load tells more than a standstill; equals go to the first pair.
            rank = max(distance, 1.0) - 1e-3 * min(a.rms_a, b.rms_a) / (1 + max(a.rms_a, b.rms_a))
            if best is None or rank < best[0]:
                best = rank, Match(a, b, _why_not(a, b))
    return None if best is None else best[1]


def _distance(a: State, b: State) -> float:
    """Apart by how much of what counts as the same; infinite between a standstill and a rotation."""
    if (a.frequency_hz == 0) != (b.frequency_hz == 0):
        return math.inf
    if a.frequency_hz == 0:
        return 0.0
    speed = abs(math.log(a.frequency_hz / b.frequency_hz)) / SPEED_SHARE
    return max(speed, abs(math.log(a.rms_a / b.rms_a)) / CURRENT_SHARE)


def _why_not(a: State, b: State) -> str | None:
    if _distance(a, b) <= 1:
        return None
    if math.isinf(_distance(a, b)):
        return "one of them turns wherever the other stands still"
    one, other = (f"{s.frequency_hz:.4g} Hz with {s.rms_a:.3g} A rms" for s in (a, b))
    limits = f"{100 * SPEED_SHARE:g} % in speed or {100 * CURRENT_SHARE:g} % in current"
    return f"the nearest states are {one} and {other}: more than {limits} apart"

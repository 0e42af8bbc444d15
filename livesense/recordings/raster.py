"""From the times of samples to steady stretches, or to the reason why there are none."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from livesense.errors import UsageError
from livesense.recordings.recording import Stretch
from livesense.samples import FloatArray

UNEVEN_SHARE = 0.05
"""Times may lie off an even raster by this share of a period: they are written with few digits."""


def stretches_of(time_s: FloatArray, what: str, index: FloatArray | None = None) -> tuple[Stretch, ...]:
    """Find the rate of samples, and where some are missing.

    Parameters
    ----------
    time_s
        ``(n,)`` times in the file's order, seconds.
    what
        Names the file in messages.
    index
        ``(n,)`` numbers of the samples where the file has them, lost ones counted.

    Returns
    -------
    tuple
        Stretches of one rate. A jump of a whole number of periods is that many samples less one, lost; any
        other jump, or one that the numbers do not show, begins a stretch of its own, and nobody can say what
        is missing before it.

    Raises
    ------
    UsageError
        Fewer than two samples, times that do not grow, or samples that are not evenly spaced.
    """
    if len(time_s) < 2:
        raise UsageError(f"{what}: expected at least two samples with times, found {len(time_s)}")
    bad = np.flatnonzero(~np.isfinite(time_s))
    if bad.size:
        raise UsageError(
            f"{what}: sample {bad[0] + 1} has no time; give the rate with --rate if it is steady"
        )
    steps = np.diff(time_s)
    back = np.flatnonzero(steps <= 0)
    if back.size:
        at = int(back[0])
        raise UsageError(
            f"{what}: expected times that grow, found {time_s[at]:.9g} s and then {time_s[at + 1]:.9g} s "
            f"(samples {at + 1} and {at + 2}); with too few digits for the rate, give it with --rate"
        )
    period = _period(steps)
    cuts = np.flatnonzero(steps > 1.5 * period) + 1
    edges = [0, *cuts.tolist(), len(time_s)]
    period = _fitted(time_s, edges, period)
    spread = _check_even(time_s, edges, period, what)
    rate_hz = _simplest(1 / period, spread, max(b - a for a, b in pairwise(edges)))
    found: list[Stretch] = []
    for first, stop in pairwise(edges):
        start_s = float(time_s[first] - time_s[0])
        lost, follows = 0, False
        if found:
            jump = float(time_s[first] - time_s[first - 1]) * rate_hz
            follows = abs(jump - round(jump)) < UNEVEN_SHARE * 2 and round(jump) >= 2
            if index is not None:
                follows = follows and index[first] - index[first - 1] == round(jump)
            lost = round(jump) - 1 if follows else 0
        found.append(Stretch(first, stop, start_s, rate_hz, lost, follows))
    return tuple(found)


def _period(steps: FloatArray) -> float:
    """Guess the period: the mean of the steps about the middle one, whose digits may be few."""
    middle = float(np.median(steps))
    usual = steps[np.abs(steps - middle) < 0.5 * middle]
    return float(np.mean(usual))


def _fitted(time_s: FloatArray, edges: list[int], guess: float) -> float:
    """Fit a line to the longest whole stretch."""
    first, stop = max(pairwise(edges), key=lambda edge: edge[1] - edge[0])
    if stop - first < 3:
        return guess
    at = np.arange(stop - first, dtype=np.float64)
    at -= at.mean()
    return float(np.dot(at, time_s[first:stop]) / np.dot(at, at))


def _check_even(time_s: FloatArray, edges: list[int], period: float, what: str) -> float:
    """Refuse what is not evenly sampled; hands back by how much the times scatter, seconds."""
    spread = 0.0
    for first, stop in pairwise(edges):
        off = time_s[first:stop] - period * np.arange(stop - first)
        off = np.abs(off - np.median(off))
        worst = int(np.argmax(off))
        if off[worst] > UNEVEN_SHARE * period:
            steps = np.diff(time_s[first:stop])
            raise UsageError(
                f"{what}: expected evenly spaced samples, found intervals from {steps.min():.6g} s to "
                f"{steps.max():.6g} s (sample {first + worst + 1} lies {off[worst]:.3g} s off an even raster "
                f"of {period:.6g} s); resample it to one rate before importing"
            )
        spread = max(spread, float(off[worst]))
    return spread


def _simplest(rate_hz: float, spread_s: float, count: int) -> float:
    """Round a rate to as few digits as the times allow: 19999.9996 is 20000 where times have six decimals."""
    span_s = count / rate_hz
    for digits in range(1, 15):
        rounded = float(f"{rate_hz:.{digits}g}")
        if abs(rounded / rate_hz - 1) * span_s <= max(spread_s, 1e-15 * span_s):
            return rounded
    return rate_hz

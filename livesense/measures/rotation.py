"""How fast and how strongly the currents turn, in short steps: what stretches of a run are told by.

The three currents are one vector (Clarke, amplitude-invariant: its length is the peak of a balanced
current). Its angle goes on with the electrical rotation, in steps of 60° for block-commutated currents; over
a step of time the angle that was covered is the mean frequency, whatever the shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.samples import FloatArray

STEP_S = 0.02
"""Length of a step: short against a start, long against what one scan's noise does to an angle."""

SMOOTH_S = 2e-4
"""The vector is averaged over so long before its angle is taken: ripple turns angles more than noise does."""


@dataclass(frozen=True, slots=True)
class Rotation:
    """Steps of one whole stretch of scans, all ``(m,)``.

    Attributes
    ----------
    time_s
        Middle of each step.
    length
        Mean length of the current vector, A (peak).
    turned
        Electrical turns covered in the step, positive in the order U, V, W; not to be believed where
        ``length`` is not clear of the noise.
    early, late
        The part of ``turned`` that was covered before and behind the step's middle, each scan weighed by its
        distance from the middle in steps: what counts to the neighbour where steps have soft edges.
    step_s
        Length of a step.
    """

    time_s: FloatArray
    length: FloatArray
    turned: FloatArray
    early: FloatArray
    late: FloatArray
    step_s: float

    @property
    def frequency_hz(self) -> FloatArray:
        """Mean electrical frequency of each step, with its sign."""
        return self.turned / self.step_s


def rotation(currents: FloatArray, rate_hz: float, start_s: float = 0.0, step_s: float = STEP_S) -> Rotation:
    """Take steps of three phase currents.

    Parameters
    ----------
    currents
        ``(n, 3)``, in the order U, V, W; NaN for scans that were lost: a step is made of the others.
    rate_hz
        Scan rate.
    start_s
        Time of the first scan.
    """
    u, v, w = np.asarray(currents, dtype=np.float64).T
    vector = (2 * u - v - w) / 3 + 1j * (v - w) / math.sqrt(3)
    count = max(1, round(step_s * rate_hz))
    steps = vector.size // count
    smoothed = _smoothed(vector, max(1, round(SMOOTH_S * rate_hz)))
    # From each scan to the next; the last one goes on like the one before.
    turn = np.angle(smoothed[1:] * smoothed[:-1].conj()) / (2 * math.pi)
    turn = np.append(turn, turn[-1:] if turn.size else 0.0)
    turned = count * _step_means(turn, steps, count)
    at = (np.arange(count) + 0.5) / count - 0.5
    early, late = (
        count * _step_means(turn, steps, count, np.maximum(side, 0.0)) * float(np.maximum(side, 0.0).mean())
        for side in (-at, at)
    )
    length = _step_means(np.abs(smoothed), steps, count)
    length_s = count / rate_hz
    time_s = start_s + (np.arange(steps) + 0.5) * length_s
    return Rotation(time_s, _bridged(length), _bridged(turned), _bridged(early), _bridged(late), length_s)


def _step_means(values: FloatArray, steps: int, count: int, weights: FloatArray | None = None) -> FloatArray:
    """Average each step's values that are numbers; NaN for a step without any (of a weight)."""
    parts = values[: steps * count].reshape(steps, count)
    known = np.isfinite(parts)
    weights = np.ones(count) if weights is None else weights
    total = np.where(known, parts, 0.0) @ weights
    there = known @ weights
    return np.asarray(np.divide(total, there, out=np.full(steps, np.nan), where=there > 0))


def _bridged(values: FloatArray) -> FloatArray:
    """Draw a straight line over steps of which nothing is known."""
    known = np.isfinite(values)
    if known.all() or not known.any():
        return np.where(known, values, 0.0)
    at = np.arange(values.size)
    return np.interp(at, at[known], values[known])


def _smoothed(vector: np.ndarray, count: int) -> np.ndarray:
    """Average so many neighbours that are numbers, fewer at the ends; what is none stays none."""
    if count == 1:
        return vector
    known = np.isfinite(vector)
    kernel = np.ones(count)
    total = np.convolve(np.where(known, vector, 0.0), kernel, "same")
    there = np.convolve(known.astype(np.float64), kernel, "same")
    out = np.full(vector.size, np.nan, dtype=np.complex128)
    np.divide(total, there, out=out, where=known)
    return out

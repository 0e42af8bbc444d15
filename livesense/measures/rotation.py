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
    step_s
        Length of a step.
    """

    time_s: FloatArray
    length: FloatArray
    turned: FloatArray
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
        ``(n, 3)``, in the order U, V, W.
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
    edges = np.arange(steps + 1) * count
    angle = np.unwrap(np.angle(smoothed))
    at = angle[np.minimum(edges, vector.size - 1)]
    length = np.abs(smoothed[: steps * count]).reshape(steps, count).mean(axis=1)
    length_s = count / rate_hz
    time_s = start_s + (np.arange(steps) + 0.5) * length_s
    return Rotation(time_s, length, np.diff(at) / (2 * math.pi), length_s)


def _smoothed(vector: np.ndarray, count: int) -> np.ndarray:
    """Average so many neighbours, fewer at the ends."""
    if count == 1:
        return vector
    kernel = np.ones(count)
    return np.convolve(vector, kernel, "same") / np.convolve(np.ones(vector.size), kernel, "same")

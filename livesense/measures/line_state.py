"""The fit at one frequency, and the Gauss-Newton steps from one frequency to the next.

At a given frequency means and harmonics follow by linear least squares. The step is that of the
whole problem: the model's derivative with respect to the frequency, less what the linear part can
take up of it, against the residual (variable projection, Golub & Pereyra 1973, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.measures.kernel import Blocks, Gram
from livesense.samples import FloatArray

_Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class LineState:
    """All that is known at one frequency: linear solution, and the step that would improve it."""

    w: float
    gram: Gram
    a: _Floats
    b: _Floats
    pull_cos: _Floats  # change of a and b with w
    pull_sin: _Floats
    info: FloatArray
    white: FloatArray
    weights: FloatArray
    step: float

    @classmethod
    def at(
        cls, blocks: Blocks, energy: FloatArray, w: float, order: int, lead: NDArray[np.bool_]
    ) -> LineState:
        """Solve the linear part at ``w`` rad/sample; ``energy`` ``(k,)`` is each channel's sum of squares.

        Channels weigh by the inverse of their residual's variance; only those of ``lead`` pull at ``w``.
        """
        gram = Gram.at(w, blocks.n, order)
        plain, timed = blocks.project(w, order)
        y_cos, y_sin = plain.real, -plain.imag[:, 1:]
        a = np.linalg.solve(gram.cos, y_cos.T).T
        b = np.linalg.solve(gram.sin, y_sin.T).T
        with_cos, with_sin, square = gram.derivative(a, b)
        pull_cos = np.linalg.solve(gram.cos, with_cos.T).T
        pull_sin = np.linalg.solve(gram.sin, with_sin.T).T
        info = square - np.sum(with_cos * pull_cos, axis=1) - np.sum(with_sin * pull_sin, axis=1)
        h = np.arange(1, order + 1)
        slope = np.sum(h * (a[:, 1:] * timed.imag[:, 1:] + b * timed.real[:, 1:]), axis=1)
        slope -= np.sum(with_cos * a, axis=1) + np.sum(with_sin * b, axis=1)
        left = energy - np.sum(a * y_cos, axis=1) - np.sum(b * y_sin, axis=1)
        white = np.maximum(left, 0.0) / max(1, blocks.n - 2 * order - 2)
        floor = 1e-12 * float(np.mean(energy)) / blocks.n + 1e-300
        weights = np.where(lead, 1.0 / np.maximum(white, floor), 0.0)
        total = float(np.sum(weights * info))
        step = float(np.sum(weights * slope)) / total if total > 0 else 0.0
        return cls(w, gram, a, b, pull_cos, pull_sin, info, white, weights, step)

    @property
    def u_white(self) -> float:
        """Standard uncertainty of ``w`` if the residual were white."""
        total = float(np.sum(self.weights * self.info))
        square = float(np.sum(self.weights**2 * self.white * self.info))
        return math.sqrt(max(square, 0.0)) / total if total > 0 else math.inf


def descend(
    blocks: Blocks, energy: FloatArray, w: float, order: int, lead: NDArray[np.bool_], steps: int
) -> tuple[LineState, bool]:
    """Take up to ``steps`` Gauss-Newton steps from ``w``; the second says whether they settled."""
    reach = np.pi / blocks.n  # half of 1/window at most, lest a step jumps to a neighbouring minimum
    state = LineState.at(blocks, energy, w, order, lead)
    for _ in range(steps):
        step = float(np.clip(state.step, -reach, reach))
        if abs(step) <= max(1e-3 * state.u_white, 1e-13 * state.w):
            return state, True
        state = LineState.at(blocks, energy, max(state.w + step, 1e-3 * reach), order, lead)
    return state, False

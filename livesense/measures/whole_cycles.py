"""Where a row of a trend ends: after whole electrical cycles, near 200 ms."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.samples import FloatArray
from livesense.turning import turning

NEAR_S = 0.2
"""Ten cycles of 50 Hz, twelve of 60 Hz: the basic interval of IEC 61000-4-30 (from memory)."""

LONGEST_S = 1.0
"""One cycle may last so long; a slower current is cut every 200 ms, cycles or not."""

ENOUGH = 1.5
"""The last of several cycles ends within so many times NEAR_S, or the speed changes too much for it."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A row's length in steps, and the whole cycles in it; 0 where it is no number of cycles."""

    steps: float
    cycles: int


def cut_row(vector: NDArray[np.complex128], step_s: float, still: float, *, last: bool) -> Cut | None:
    """Find where the next row ends, or None: more scans are needed.

    Parameters
    ----------
    vector
        ``(m,)`` current vector (Clarke), the mean of a step each, from the row's beginning on.
    step_s
        Length of a step.
    still
        Mean length of the vector below which nothing is said to turn.
    last
        No more scans will follow: what is there must do. Scans behind the cut are those of a broken cycle.
    """
    near = max(1, round(NEAR_S / step_s))
    if vector.size <= near and not last:
        return None
    all_of_it = min(near, vector.size)
    if float(np.abs(vector[:all_of_it]).mean()) < still:
        return Cut(float(all_of_it), 0)
    turned = np.abs(np.cumsum(np.angle(vector[1:] * vector[:-1].conj()))) / (2 * math.pi)
    turned = np.concatenate(([0.0], turned))
    at_near = float(turned[min(near, vector.size - 1)])
    wanted = max(1, round(at_near))
    limit = round(max(ENOUGH * NEAR_S if wanted > 1 or at_near > 1 else LONGEST_S, step_s) / step_s)
    if last and not turned.max() >= wanted:
        wanted = math.floor(float(turned.max()))
    reached = np.flatnonzero(turned[: limit + 1] >= wanted) if wanted else np.zeros(0, np.int64)
    if reached.size:
        after = int(reached[0])
        share = (wanted - turned[after - 1]) / (turned[after] - turned[after - 1])
        return Cut(after - 1 + float(share), wanted)
    if vector.size <= limit and not last:
        return None
    return Cut(float(all_of_it), 0)


def fundamentals(values: FloatArray, cycles: int, first: int = 0, n: int = 0) -> NDArray[np.complex128]:
    """Rms phasors ``(k,)`` of the line of so many cycles in ``(n, k)`` values; zero for no cycles.

    Of a piece of values that begins with value ``first`` of ``n`` it is their part in the sum.
    """
    n = n or len(values)
    if not cycles:
        return np.zeros(values.shape[1], dtype=np.complex128)
    step_rad = 2 * math.pi * cycles / n
    circle = turning(step_rad * first, step_rad, len(values))
    even, odd = (values.T @ circle.view(np.float64).reshape(-1, 2)).T
    return np.asarray((even - 1j * odd) * (math.sqrt(2) / n))

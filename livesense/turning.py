"""The unit circle run through in even steps: what measures, trends and watches multiply their scans with."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray


def turning(start_rad: float, step_rad: float, n: int) -> NDArray[np.complex128]:
    """Give ``exp(i (start + k step))`` for ``k`` from 0 to ``n - 1``, ``(n,)``.

    A product of coarse and fine steps: two square roots' worth of sines and a multiplication for each value
    instead of ``n`` sines, which took a tenth of all figures.
    """
    fine = math.isqrt(n) + 1
    coarse = np.exp(1j * (start_rad + step_rad * fine * np.arange(-(-n // fine))))
    circle = coarse[:, None] * np.exp(1j * step_rad * np.arange(fine))
    return np.asarray(circle.reshape(-1)[:n], dtype=np.complex128)

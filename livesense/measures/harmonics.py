"""Total harmonic distortion from fitted harmonics.

THD = 100 % × sqrt(A2² + A3² + … + AH²) / A1, of the fundamental, with the order H stated.
"""

from __future__ import annotations

import math

import numpy as np

from livesense.measures.near_zero import u_of_root
from livesense.samples import Estimate, FloatArray


def thd_percent(
    amplitude: FloatArray, u_quadrature: FloatArray, u_relative: FloatArray | float = 0.0
) -> Estimate:
    """Distortion of the fundamental, in %.

    What noise adds to the sum of squares (twice the variance of one component per order) is taken
    off, so that a pure line in noise reads about zero; the uncertainty covers there too.

    Parameters
    ----------
    amplitude
        ``(H,)`` amplitudes of orders 1 to H, all peak or all rms.
    u_quadrature
        ``(H,)`` standard uncertainty of one component of each.
    u_relative
        ``(H,)`` or one: further relative uncertainty of each order (drift of the frequency).

    Raises
    ------
    ValueError
        When the fundamental is not above zero.
    """
    a, u = np.asarray(amplitude, dtype=float), np.asarray(u_quadrature, dtype=float)
    if not a[0] > 0:
        raise ValueError(f"amplitude: expected a fundamental above 0, got {a[0]}")
    relative = np.broadcast_to(np.asarray(u_relative, dtype=float), a.shape)
    square = float(np.sum(a[1:] ** 2 - 2 * u[1:] ** 2))
    u_square = math.sqrt(
        float(np.sum(4 * a[1:] ** 2 * (u[1:] ** 2 + (a[1:] * relative[1:]) ** 2) + 4 * u[1:] ** 4))
    )
    root = math.sqrt(max(square, 0.0))
    u_top = u_of_root(square, u_square) / a[0]
    u_bottom = root / a[0] * math.hypot(u[0] / a[0], float(relative[0]))
    return Estimate(100 * root / float(a[0]), u_random=100 * math.hypot(u_top, u_bottom), unit="%")

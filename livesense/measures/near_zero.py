"""Uncertainty of figures that cannot be negative: amplitudes, unbalance, distortion, residuals.

Near zero the first-order ± of a magnitude is wrong: noise can only raise it. The square behaves
well there, so the interval is made for the square and carried over.
"""

from __future__ import annotations

import math


def u_of_root(square: float, u_square: float) -> float:
    """Return a standard uncertainty of ``sqrt(square)`` such that ± 2 u covers, near zero too.

    The larger of the distances from the root to the roots of ``square ± 2 u_square``, halved.
    Far from zero it is the usual ``u_square / (2 sqrt(square))``.
    """
    square = max(square, 0.0)
    root = math.sqrt(square)
    below = root - math.sqrt(max(square - 2 * u_square, 0.0))
    above = math.sqrt(square + 2 * u_square) - root
    return 0.5 * max(below, above)


def u_of_magnitude(magnitude: float, u_component: float) -> float:
    """Return the same for a phasor's length whose two components each have ``u_component``.

    ``|z|**2`` then has the standard deviation ``sqrt(4 |z|**2 u**2 + 4 u**4)``.
    """
    return u_of_root(magnitude**2, 2 * u_component * math.hypot(magnitude, u_component))

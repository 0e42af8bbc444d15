"""Three currents as one vector: Clarke and Park, amplitude-invariant, and the path that it draws.

Clarke (1943): ``alpha = (2u - v - w) / 3``, ``beta = (v - w) / sqrt(3)``, ``zero = (u + v + w) / 3``: a
balanced current of peak A is a vector of length A. Park (1929): the vector turned back by the angle of a
frame.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.measures.basic import batch_u
from livesense.measures.kernel import ComplexArray
from livesense.measures.three_phase import components
from livesense.samples import FloatArray


def clarke(u: FloatArray, v: FloatArray, w: FloatArray) -> tuple[ComplexArray, FloatArray]:
    """Turn three values ``(n,)`` each into alpha + i beta and the zero component, ``(n,)`` both."""
    vector = (2 * u - v - w) / 3 + 1j * (v - w) / math.sqrt(3)
    return np.asarray(vector, dtype=np.complex128), np.asarray((u + v + w) / 3)


def park(vector: ComplexArray, angle_rad: FloatArray | float) -> ComplexArray:
    """Give d + i q ``(n,)`` of a vector in a frame whose d axis stands at ``angle_rad``."""
    return seen_from(vector, np.exp(1j * np.asarray(angle_rad)))


def seen_from(vector: ComplexArray, axis: ComplexArray) -> ComplexArray:
    """Give the same where the d axis stands along ``axis``, ``(n,)`` of length 1."""
    return np.asarray(vector * axis.conj())


@dataclass(frozen=True, slots=True)
class Locus:
    """The ellipse that the fundamentals draw in the plane of alpha and beta.

    ``major`` and ``minor`` are half its axes (peak values); ``tilt_rad`` is the angle of the major one to
    alpha, within half a turn. A circle is a balanced current, a line a lost phase.
    """

    major: float
    minor: float
    tilt_rad: float

    def points(self, count: int = 181) -> NDArray[np.complex128]:
        """Give so many points ``(count,)`` of the ellipse, the first one again at the end."""
        turn = np.linspace(0, 2 * math.pi, count)
        ellipse = self.major * np.cos(turn) + 1j * self.minor * np.sin(turn)
        return np.asarray(ellipse * cmath.exp(1j * self.tilt_rad), dtype=np.complex128)


def locus(u: complex, v: complex, w: complex) -> Locus:
    """Find the path of three fundamentals, given as rms phasors.

    The vector is ``P exp(i w t) + conj(N) exp(-i w t)`` with the positive and negative component as peak
    values: half the axes are ``|P| + |N|`` and their difference, and the long one stands where both meet.
    """
    _, positive, negative = components(u, v, w)
    p, n = math.sqrt(2) * positive, math.sqrt(2) * negative.conjugate()
    tilt = 0.5 * (cmath.phase(p) + cmath.phase(n)) if p and n else cmath.phase(p or n)
    return Locus(abs(p) + abs(n), abs(abs(p) - abs(n)), math.remainder(tilt, math.pi))


@dataclass(frozen=True, slots=True)
class OwnFrame:
    """The current vector in the frame of its own fundamental: q along it, d across it.

    They are what is left of each axis, rms: 6 f ripple of a distorted current, 2 f of an unbalanced one, PWM
    ripple and noise. Where the drive really holds its d axis cannot be seen from currents.
    ``u_ripple_square`` is the uncertainty of the sum of both ripples' squares, by the spread of stretches.
    """

    quadrature_ripple: float
    direct_ripple: float
    u_ripple_square: float


def own_frame(
    u: FloatArray, v: FloatArray, w: FloatArray, turning: ComplexArray, fundamental: complex
) -> OwnFrame:
    """Look at three currents ``(n,)`` from the frame that turns with ``turning`` ``(n,)``, of length 1.

    Its angle is the electrical one, growing where the phases follow in the order U, V, W. ``fundamental`` is
    what stands still there. It is not the mean of the scans: that is bent by mean and unbalance of the
    currents where the window holds no whole cycles.
    """
    vector, _ = clarke(u, v, w)
    turned = seen_from(vector, turning)
    turned -= fundamental
    turned *= cmath.exp(-1j * cmath.phase(fundamental))
    square = turned.real**2, turned.imag**2
    return OwnFrame(
        math.sqrt(float(square[0].mean())),
        math.sqrt(float(square[1].mean())),
        batch_u(square[0] + square[1]),
    )

"""Powers of distorted and unbalanced waves by the definitions of IEEE Std 1459-2010 (from memory).

With effective values over m phases, ``Ve = sqrt(sum(V**2) / m)`` (phase voltages against their own
mean, which is the standard's three-wire form) and ``Ie`` alike: ``Se = m Ve Ie``; of the fundamentals
``Se1 = m Ve1 Ie1``; the rest ``SeN = sqrt(Se**2 - Se1**2)`` parts into current distortion
``DeI = m Ve1 IeH``, voltage distortion ``DeV = m VeH Ie1`` and ``SeH = m VeH IeH``, where H is all but the
fundamental, the mean too. With one phase these are the single-phase definitions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from livesense.measures.three_phase import components


@dataclass(frozen=True, slots=True)
class Powers:
    """Powers, W, VA or var; ``reactive`` is positive where the current lags."""

    active: float
    apparent: float
    fundamental_active: float
    fundamental_apparent: float
    reactive: float
    nonfundamental: float
    current_distortion: float
    voltage_distortion: float
    harmonic_apparent: float
    nonactive: float

    @property
    def power_factor(self) -> float:
        """P / Se; NaN without apparent power."""
        return self.active / self.apparent if self.apparent > 0 else math.nan

    @property
    def displacement_factor(self) -> float:
        """Fundamental power factor: of the positive (or dominant) sequence, with three phases."""
        size = math.hypot(self.fundamental_active, self.reactive)
        return self.fundamental_active / size if size > 0 else math.nan


def powers(
    v1: Sequence[complex],
    i1: Sequence[complex],
    v_rms: Sequence[float],
    i_rms: Sequence[float],
    active: float,
) -> Powers:
    """Powers of one phase, or of three.

    Parameters
    ----------
    v1, i1
        Fundamentals of each phase, rms phasors of one instant.
    v_rms, i_rms
        rms values, everything in them.
    active
        Mean of the sum of v·i, W.

    Raises
    ------
    ValueError
        For other than one or three phases, or unequal numbers of them.
    """
    m = len(v1)
    if m not in (1, 3) or not m == len(i1) == len(v_rms) == len(i_rms):
        raise ValueError(f"phases: expected 1 or 3 of each, got {m}, {len(i1)}, {len(v_rms)}, {len(i_rms)}")

    def effective(values: Sequence[complex] | Sequence[float]) -> float:
        return math.sqrt(sum(abs(value) ** 2 for value in values) / m)

    ve, ie, ve1, ie1 = effective(v_rms), effective(i_rms), effective(v1), effective(i1)
    veh, ieh = math.sqrt(max(ve**2 - ve1**2, 0.0)), math.sqrt(max(ie**2 - ie1**2, 0.0))
    if m == 1:
        line = v1[0] * i1[0].conjugate()
    else:
        of_v, of_i = components(*v1)[1:], components(*i1)[1:]
        main = 0 if abs(of_v[0]) >= abs(of_v[1]) else 1
        line = 3 * of_v[main] * of_i[main].conjugate()
    apparent, first = m * ve * ie, m * ve1 * ie1
    return Powers(
        active=active,
        apparent=apparent,
        fundamental_active=line.real,
        fundamental_apparent=first,
        reactive=line.imag,
        nonfundamental=math.sqrt(max(apparent**2 - first**2, 0.0)),
        current_distortion=m * ve1 * ieh,
        voltage_distortion=m * veh * ie1,
        harmonic_apparent=m * veh * ieh,
        nonactive=math.sqrt(max(apparent**2 - active**2, 0.0)),
    )

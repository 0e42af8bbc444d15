"""The permanent-magnet motor in rotor coordinates, and its mechanics.

Amplitude-invariant dq form: ``i_d``, ``i_q`` are peak phase amperes. The d axis
lies on the magnets, the angle is that of phase U's winding axis, and

    v_d = R i_d + L_d di_d/dt - w L_q i_q
    v_q = R i_q + L_q di_q/dt + w (L_d i_d + psi)
    T   = 1.5 p (psi i_q + (L_d - L_q) i_d i_q)

with ``w`` the electrical angular frequency. These are the textbook equations of
the machine (P. C. Krause et al., "Analysis of Electric Machinery", from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Motor:
    """A permanent-magnet machine, SI units, one phase to the star point.

    ``flux_vs`` is the peak flux that the magnets link with one phase. ``emf_5`` and
    ``emf_7`` are harmonics of the back-EMF, relative to its fundamental.
    """

    resistance_ohm: float
    inductance_d_h: float
    inductance_q_h: float
    flux_vs: float
    pole_pairs: int
    inertia_kgm2: float = 1.5e-4
    emf_5: float = 0.0
    emf_7: float = 0.0

    def voltages(self, current_d_a: float, current_q_a: float, speed_rad_s: float) -> tuple[float, float]:
        """(v_d, v_q) that hold these currents at this electrical speed."""
        voltage_d_v = self.resistance_ohm * current_d_a - speed_rad_s * self.inductance_q_h * current_q_a
        voltage_q_v = self.resistance_ohm * current_q_a + speed_rad_s * (
            self.inductance_d_h * current_d_a + self.flux_vs
        )
        return voltage_d_v, voltage_q_v

    def currents(self, voltage_d_v: float, voltage_q_v: float, speed_rad_s: float) -> tuple[float, float]:
        """(i_d, i_q) that settle at these voltages and this electrical speed."""
        resistance = self.resistance_ohm
        reactance_d = speed_rad_s * self.inductance_d_h
        reactance_q = speed_rad_s * self.inductance_q_h
        driving_q_v = voltage_q_v - speed_rad_s * self.flux_vs
        determinant = resistance * resistance + reactance_d * reactance_q
        return (
            (resistance * voltage_d_v + reactance_q * driving_q_v) / determinant,
            (resistance * driving_q_v - reactance_d * voltage_d_v) / determinant,
        )

    def torque(self, current_d_a: float, current_q_a: float) -> float:
        """Torque at the air gap, in N·m."""
        saliency_h = self.inductance_d_h - self.inductance_q_h
        return 1.5 * self.pole_pairs * (self.flux_vs + saliency_h * current_d_a) * current_q_a

    def advance(
        self,
        current_d_a: float,
        current_q_a: float,
        voltage_d_v: float,
        voltage_q_v: float,
        speed_rad_s: float,
        step_s: float,
    ) -> tuple[float, float]:
        """(i_d, i_q) one step later, exact for constant voltages and speed.

        The deviation from the settled currents decays by the matrix exponential
        of the 2 x 2 system, in closed form (Cayley-Hamilton).
        """
        settled_d_a, settled_q_a = self.currents(voltage_d_v, voltage_q_v, speed_rad_s)
        rate_d = self.resistance_ohm / self.inductance_d_h
        rate_q = self.resistance_ohm / self.inductance_q_h
        mean_rate = -0.5 * (rate_d + rate_q)
        half_difference = 0.5 * (rate_q - rate_d)
        discriminant = half_difference * half_difference - speed_rad_s * speed_rad_s
        if discriminant < 0.0:
            root = math.sqrt(-discriminant)
            even = math.cos(root * step_s)
            odd = math.sin(root * step_s) / root
        elif discriminant > 0.0:
            root = math.sqrt(discriminant)
            even = math.cosh(root * step_s)
            odd = math.sinh(root * step_s) / root
        else:
            even, odd = 1.0, step_s
        decay = math.exp(mean_rate * step_s)
        off_d_a = current_d_a - settled_d_a
        off_q_a = current_q_a - settled_q_a
        cross_d = speed_rad_s * self.inductance_q_h / self.inductance_d_h
        cross_q = speed_rad_s * self.inductance_d_h / self.inductance_q_h
        return (
            settled_d_a + decay * ((even + odd * half_difference) * off_d_a + odd * cross_d * off_q_a),
            settled_q_a + decay * ((even - odd * half_difference) * off_q_a - odd * cross_q * off_d_a),
        )


COOLANT_PUMP = Motor(
    resistance_ohm=0.080,
    inductance_d_h=0.28e-3,
    inductance_q_h=0.32e-3,
    flux_vs=5.6e-3,
    pole_pairs=5,
    emf_5=0.008,
    emf_7=0.005,
)
"""The motor of the 24 V coolant pump bench: 6 A rms and 110 W at 3000 rpm."""

"""What currents say of the machine itself: torque by its constant, copper loss at a temperature.

Torque of a machine with surface magnets: ``T = 1.5 p psi i_q`` (p pole pairs, psi the magnets' flux
linkage, peak; i_q the peak of the current across them). Only i_q makes torque;
``sqrt(i_d**2 + i_q**2)`` is what can be measured without the rotor's angle, so that ``kt |i|`` is the
torque where i_d = 0 and the most that it can be elsewhere. A drive that starts its machine in open loop
holds i_d at will.

Constants are one fact in many words. Power is conserved, ``T w = 3 E I`` with rms phase values, so that
``kt(rms) = 3 ke(phase, rms)`` and ``kt(peak) = 1.5 ke(phase, peak)``, ke per mechanical rad/s; line to
line is sqrt(3) times phase (of a sinusoidal machine).
"""

from __future__ import annotations

import math
from collections.abc import Iterable

COPPER_K = 235.0
"""Copper's resistance goes with k + temperature in °C (IEC 60034-1)."""

TORQUE_OF = {"rms phase current": math.sqrt(2), "peak phase current": 1.0}
"""Factor that turns a peak current's torque constant into the one that is stated."""

VOLTAGE_OF = {
    "peak phase voltage": 1.0,
    "rms phase voltage": 1 / math.sqrt(2),
    "peak line voltage": math.sqrt(3),
    "rms line voltage": math.sqrt(1.5),
}
"""Factor that turns a peak phase voltage into the one that is stated."""


def torque_per_peak_ampere(
    *,
    torque_constant: tuple[float, str] | None = None,
    voltage_constant: tuple[float, str] | None = None,
    flux_linkage_wb: float | None = None,
    pole_pairs: int | None = None,
) -> float | None:
    """Turn a stated constant into N·m per ampere of the phase current's peak; None where none is stated.

    Parameters
    ----------
    torque_constant
        N·m/A, and of what current, a key of :data:`TORQUE_OF`.
    voltage_constant
        V·s per mechanical radian, and of what voltage, a key of :data:`VOLTAGE_OF`.
    flux_linkage_wb, pole_pairs
        Peak flux linkage of a phase; needs the pole pairs.
    """
    if torque_constant is not None:
        value, of = torque_constant
        return value / TORQUE_OF[of]
    if voltage_constant is not None:
        value, of = voltage_constant
        return 1.5 * value / VOLTAGE_OF[of]
    if flux_linkage_wb is not None and pole_pairs is not None:
        return 1.5 * pole_pairs * flux_linkage_wb
    return None


def copper_at(resistance: float, from_c: float, to_c: float) -> float:
    """Resistance of copper at another temperature, ``R (k + t2) / (k + t1)`` with k = 235 K (IEC 60034-1)."""
    return resistance * (COPPER_K + to_c) / (COPPER_K + from_c)


def copper_loss(resistance: float, currents_rms: Iterable[float]) -> float:
    """Loss in windings of one resistance, W: ``R * sum of I²``, rms currents with all ripple (Joule)."""
    return resistance * sum(current**2 for current in currents_rms)


def rise_by_resistance(cold: float, hot: float, cold_c: float, coolant_c: float) -> float:
    """Temperature rise of a copper winding, K, over its coolant (IEC 60034-1, resistance method)."""
    return (hot - cold) / cold * (COPPER_K + cold_c) + cold_c - coolant_c

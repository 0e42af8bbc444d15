"""Power, energy and charge from voltages and currents sampled together.

Input power is the mean of the instant product v·i. Apparent power of one pair is Vrms·Irms, of three
pairs their sum; power factor = P / S.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from livesense.samples import Estimate, FloatArray


@dataclass(frozen=True, slots=True)
class Power:
    """Bus and phase power; what is not known is None, with the reason beside."""

    bus_voltage: Estimate | None = None
    bus_current: Estimate | None = None
    input_power: Estimate | None = None
    energy_Wh: Estimate | None = None  # noqa: N815 - the contract's key
    charge_Ah: Estimate | None = None  # noqa: N815
    phase_power: Estimate | None = None
    power_factor: Estimate | None = None
    apparent_power: Estimate | None = None
    fundamental_power: Estimate | None = None
    fundamental_apparent_power: Estimate | None = None
    reactive_power: Estimate | None = None
    nonfundamental_power: Estimate | None = None
    current_distortion_power: Estimate | None = None
    voltage_distortion_power: Estimate | None = None
    displacement_factor: Estimate | None = None
    two_wattmeters: dict[str, Estimate] | None = None
    withheld: dict[str, str] = field(default_factory=dict)


def active_power(voltage: FloatArray, current: FloatArray) -> float:
    """Mean of the instant product, W, of ``(n,)`` volts and ``(n,)`` amperes."""
    return float(np.mean(np.asarray(voltage) * np.asarray(current)))


def apparent_power(voltage: FloatArray, current: FloatArray) -> float:
    """Product of the rms values, VA, of ``(n,)`` volts and ``(n,)`` amperes."""
    v, i = np.asarray(voltage, dtype=float), np.asarray(current, dtype=float)
    return math.sqrt(float(np.mean(v**2)) * float(np.mean(i**2)))


def two_wattmeters(
    v_uw: FloatArray, v_vw: FloatArray, i_u: FloatArray, i_v: FloatArray
) -> tuple[float, float]:
    """Read two wattmeters, W; their sum is the power of three wires (Aron circuit).

    Parameters
    ----------
    v_uw, v_vw
        ``(n,)`` voltages of U and V against W.
    i_u, i_v
        ``(n,)`` currents of U and V.
    """
    return active_power(v_uw, i_u), active_power(v_vw, i_v)


def to_neutral(u: FloatArray, v: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Refer three voltages ``(n,)`` against any common point to their mean, an artificial star point."""
    star = (u + v + w) / 3
    return u - star, v - star, w - star


def u_product(
    power: float,
    mean_v: float,
    mean_i: float,
    u_scale: tuple[float, float],
    u_offset: tuple[float, float],
    u_common: tuple[float, float] = (0.0, 0.0),
) -> float:
    """Systematic uncertainty of a mean product: both scales, and each offset times the other's mean.

    ``u_common`` is what of each scale comes from the ADC's reference: one error in both factors, so
    that these parts add before squaring (JCGM 100:2008, 5.2.2), while the rest is independent.
    """
    scale = abs(power) * u_scale_of_product(u_scale, u_common)
    return math.sqrt(scale**2 + (mean_i * u_offset[0]) ** 2 + (mean_v * u_offset[1]) ** 2)


def u_scale_of_product(u_scale: tuple[float, float], u_common: tuple[float, float]) -> float:
    """Relative uncertainty of a product by two scales of which a part is one and the same error."""
    return math.hypot(own_scale(u_scale[0], u_common[0]), own_scale(u_scale[1], u_common[1]), sum(u_common))


def own_scale(u_scale: float, u_common: float) -> float:
    """Part of a scale's relative uncertainty that no other channel shares."""
    return math.sqrt(max(u_scale**2 - u_common**2, 0.0))

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
    power: float, mean_v: float, mean_i: float, u_scale: tuple[float, float], u_offset: tuple[float, float]
) -> float:
    """Systematic uncertainty of a mean product: both scales, and each offset times the other's mean."""
    scale = abs(power) * math.hypot(*u_scale)
    return math.sqrt(scale**2 + (mean_i * u_offset[0]) ** 2 + (mean_v * u_offset[1]) ** 2)

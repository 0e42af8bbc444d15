"""Resistance thermometers: a divider with a pull-up, and from resistance to degrees Celsius."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.samples import FloatArray

KELVIN = 273.15
NTC_NOMINAL_C = 25.0

RTD_A, RTD_B, RTD_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Coefficients of IEC 60751: R = R0 (1 + A t + B t² + C (t - 100) t³), C below 0 °C only."""
RTD_LOWEST_C, RTD_HIGHEST_C = -200.0, 850.0
"""Where IEC 60751 defines its curve; readings beyond are held at these ends."""
NTC_HIGHEST_C = 2000.0
"""Where readings of thermistors are held: towards 0 Ω their equations run to infinity, and on below 0 K."""


@dataclass(frozen=True, slots=True)
class Ntc:
    """Thermistor by its two figures: ``R = R25 exp(beta (1/T - 1/298.15 K))``."""

    r25_ohm: float
    beta_k: float

    def celsius(self, ohm: FloatArray) -> FloatArray:
        """Temperature in degrees Celsius for resistances above zero; any shape. At most 2000 °C."""
        return _held(1 / (NTC_NOMINAL_C + KELVIN) + np.log(ohm / self.r25_ohm) / self.beta_k)

    def ohm(self, celsius: FloatArray) -> FloatArray:
        """Resistance at a temperature; any shape."""
        inverse = 1 / (np.asarray(celsius) + KELVIN) - 1 / (NTC_NOMINAL_C + KELVIN)
        return np.asarray(self.r25_ohm * np.exp(self.beta_k * inverse))


@dataclass(frozen=True, slots=True)
class SteinhartHart:
    """Thermistor by three coefficients: ``1/T = A + B ln R + C (ln R)³``, R in ohms, T in kelvins.

    With C below zero the cubic turns; readings are held where it does.
    """

    a: float
    b: float
    c: float

    def celsius(self, ohm: FloatArray) -> FloatArray:
        """Temperature in degrees Celsius for resistances above zero; any shape. At most 2000 °C."""
        log = np.log(ohm)
        if self.c < 0:
            turn = math.sqrt(self.b / (-3 * self.c))
            log = np.clip(log, -turn, turn)
        return _held(self.a + self.b * log + self.c * log**3)

    def ohm(self, celsius: FloatArray) -> FloatArray:
        """Resistance at a temperature; any shape."""
        rest = 1 / (np.asarray(celsius) + KELVIN) - self.a
        if abs(self.c) < _NO_CUBIC:
            return np.asarray(np.exp(rest / self.b))
        # The cubic's root that grows with 1/T, by the third of an angle: sinh 3x = 4 sinh³x + 3 sinh x,
        # and with C below zero sin 3x = 3 sin x - 4 sin³x.
        size = 2 * math.sqrt(self.b / (3 * abs(self.c)))
        share = 3 * rest / (self.b * size)
        if self.c > 0:
            return np.asarray(np.exp(size * np.sinh(np.arcsinh(share) / 3)))
        return np.asarray(np.exp(size * np.sin(np.arcsin(np.clip(share, -1, 1)) / 3)))


_NO_CUBIC = 1e-20
"""Below it the cubic's part is lost in the rounding of the others, and its root in that of a division."""


def _held(inverse: FloatArray) -> FloatArray:
    """Degrees Celsius from 1/T."""
    return np.asarray(1 / np.maximum(inverse, 1 / (NTC_HIGHEST_C + KELVIN)) - KELVIN)


@dataclass(frozen=True, slots=True)
class Rtd:
    """Platinum resistor by IEC 60751."""

    r0_ohm: float

    def ohm(self, celsius: FloatArray) -> FloatArray:
        """Resistance at a temperature; any shape."""
        t = np.asarray(celsius, dtype=float)
        below = np.where(t < 0, RTD_C * (t - 100) * t**3, 0.0)
        return np.asarray(self.r0_ohm * (1 + RTD_A * t + RTD_B * t**2 + below))

    def celsius(self, ohm: FloatArray) -> FloatArray:
        """Temperature for a resistance; any shape. Held between -200 and 850 °C."""
        ends = self.ohm(np.array([RTD_LOWEST_C, RTD_HIGHEST_C]))
        ohm = np.clip(np.asarray(ohm, dtype=float), *ends)
        ratio = ohm / self.r0_ohm
        above = (-RTD_A + np.sqrt(RTD_A**2 - 4 * RTD_B * (1 - ratio))) / (2 * RTD_B)
        # Below 0 °C the curve has no closed inverse; Newton's steps from the quadratic converge in three.
        t = above
        for _ in range(4):
            slope = RTD_A + 2 * RTD_B * t + np.where(t < 0, RTD_C * (4 * t**3 - 300 * t**2), 0.0)
            t = t - (self.ohm(t) / self.r0_ohm - ratio) / slope
        return np.asarray(np.where(ratio < 1, t, above))


@dataclass(frozen=True, slots=True)
class PullUp:
    """Sensor from the pin to ground, a resistor from the pin to ``full`` codes' worth of volts.

    Parameters
    ----------
    full
        The pull-up's voltage in codes: the ADC's steps where it is the ADC's reference.
    """

    sensor: Ntc | SteinhartHart | Rtd
    pull_up_ohm: float
    full: float

    def celsius(self, codes: FloatArray) -> FloatArray:
        """Temperature for codes, any shape; held half a code inside an open or shorted sensor."""
        share = np.clip(codes, 0.5, self.full - 0.5) / self.full
        return self.sensor.celsius(self.pull_up_ohm * share / (1 - share))

    def codes(self, celsius: FloatArray) -> FloatArray:
        """Codes for temperatures, unrounded; any shape."""
        ohm = self.sensor.ohm(celsius)
        return np.asarray(self.full * ohm / (ohm + self.pull_up_ohm))

    def celsius_per_code(self, celsius: float) -> float:
        """Steepness at a temperature, degrees per code, as a magnitude."""
        code = float(self.codes(np.array(celsius)))
        ends = self.celsius(np.array([code - 0.5, code + 0.5]))
        return abs(float(ends[1] - ends[0]))

"""Resistance thermometers: a divider with a pull-up, and from resistance to degrees Celsius."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livesense.samples import FloatArray

KELVIN = 273.15
NTC_NOMINAL_C = 25.0

RTD_A, RTD_B, RTD_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Coefficients of IEC 60751: R = R0 (1 + A t + B t² + C (t - 100) t³), C below 0 °C only."""
RTD_LOWEST_C, RTD_HIGHEST_C = -200.0, 850.0
"""Where IEC 60751 defines its curve; readings beyond are held at these ends."""


@dataclass(frozen=True, slots=True)
class Ntc:
    """Thermistor by its two figures: ``R = R25 exp(beta (1/T - 1/298.15 K))``."""

    r25_ohm: float
    beta_k: float

    def celsius(self, ohm: FloatArray) -> FloatArray:
        """Temperature in degrees Celsius for resistances above zero; any shape."""
        return np.asarray(
            1 / (1 / (NTC_NOMINAL_C + KELVIN) + np.log(ohm / self.r25_ohm) / self.beta_k) - KELVIN
        )

    def ohm(self, celsius: FloatArray) -> FloatArray:
        """Resistance at a temperature; any shape."""
        inverse = 1 / (np.asarray(celsius) + KELVIN) - 1 / (NTC_NOMINAL_C + KELVIN)
        return np.asarray(self.r25_ohm * np.exp(self.beta_k * inverse))


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

    sensor: Ntc | Rtd
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

"""The sense chain as it is built, not as its data sheet says: amperes to ADC codes.

The nominal chain (:data:`NOMINAL`) is what the bench file states. The built chain
adds errors drawn once per seed: each between 15 and 45 % of the limit that the
bench file gives, never zero, so that no test can pass by taking the truth for the
reading, and an honest uncertainty always covers them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CURRENTS = ("iu", "iv", "iw", "ibus")
FAST = ("iu", "iv", "iw", "vbus", "ibus")
SLOW = ("t_sink", "state")


@dataclass(frozen=True, slots=True)
class Nominal:
    """What the bench file says of the chain: values and limits of error, SI units.

    ``sampled_s`` is when each fast channel is sampled, counted from the scan's first.
    """

    bits: int = 12
    reference_v: float = 3.3
    reference_limit: float = 0.002
    adc_offset_limit: float = 1.0
    """In codes, as is the next."""
    adc_bow_limit: float = 1.0
    shunt_ohm: float = 5e-3
    shunt_limit: float = 0.01
    bus_shunt_limit: float = 0.005
    gain: float = 20.0
    gain_limit: float = 0.003
    offset_limit_v: float = 150e-6
    bus_offset_limit_v: float = 50e-6
    swing_v: float = 0.05
    bandwidth_hz: float = 500e3
    divider_ratio: float = 11.0
    divider_limit: float = 0.005
    temperature_zero_v: float = 0.5
    temperature_v_per_k: float = 0.010
    temperature_limit: float = 0.01
    sampled_s: tuple[float, ...] = (0.0, 0.2e-6, 0.4e-6, 0.6e-6, 0.8e-6)

    @property
    def steps(self) -> int:
        """Number of codes."""
        return int(2**self.bits)

    @property
    def lsb_v(self) -> float:
        """Volts per code."""
        return self.reference_v / self.steps

    @property
    def ampere_per_code(self) -> float:
        """Nominal amperes per code of a current channel."""
        return self.lsb_v / (self.gain * self.shunt_ohm)


NOMINAL = Nominal()


@dataclass(frozen=True, slots=True)
class CurrentErrors:
    """Errors of one current channel; relative, but for the offset (volts at the amplifier's input)."""

    shunt: float
    gain: float
    offset_v: float


@dataclass(frozen=True, slots=True)
class Errors:
    """Every error of one built chain.

    ``adc_offset`` and ``adc_bow`` (a sine-shaped non-linearity) are in codes;
    ``noise`` is white, in codes rms at the ADC; the others are relative.
    """

    currents: Mapping[str, CurrentErrors]
    bandwidth: float
    """The same for all amplifiers, which are of one kind."""
    reference: float
    adc_offset: float
    adc_bow: float
    divider: float
    temperature: float
    noise: Mapping[str, float]

    def as_json(self) -> dict[str, Any]:
        """Plain values, for the truth file."""
        return {
            "currents": {name: asdict(errors) for name, errors in self.currents.items()},
            "bandwidth": self.bandwidth,
            "reference": self.reference,
            "adc_offset_codes": self.adc_offset,
            "adc_bow_codes": self.adc_bow,
            "divider": self.divider,
            "temperature": self.temperature,
            "noise_codes": dict(self.noise),
        }


def draw_errors(random: np.random.Generator, nominal: Nominal = NOMINAL) -> Errors:
    """Draw one built chain: each error between 0.15 and 0.45 of its limit, either sign."""

    def error(limit: float) -> float:
        size = random.uniform(0.15, 0.45)
        return float(limit * size * (1.0 if random.random() < 0.5 else -1.0))

    return Errors(
        currents={
            name: CurrentErrors(
                shunt=error(nominal.bus_shunt_limit if name == "ibus" else nominal.shunt_limit),
                gain=error(nominal.gain_limit),
                offset_v=error(nominal.bus_offset_limit_v if name == "ibus" else nominal.offset_limit_v),
            )
            for name in CURRENTS
        },
        bandwidth=error(0.1),
        reference=error(nominal.reference_limit),
        adc_offset=error(nominal.adc_offset_limit),
        adc_bow=error(nominal.adc_bow_limit),
        divider=error(nominal.divider_limit),
        temperature=error(nominal.temperature_limit),
        noise={"iu": 1.3, "iv": 1.2, "iw": 1.4, "ibus": 1.3, "vbus": 0.8, "t_sink": 0.7},
    )


class SenseChain:
    """Physical values to codes, for one set of errors.

    The ADC triggers one amplifier lag after the valley of the pulses, so that the middle
    of the three phase samples stands for the current at the valley; the others stand for
    instants before and after it, by the sequencer's steps, and see a little ripple.
    """

    def __init__(
        self,
        errors: Errors,
        noise: np.random.Generator,
        nominal: Nominal = NOMINAL,
        *,
        off_valley_s: float = 0.0,
    ) -> None:
        self.errors = errors
        self.nominal = nominal
        self._noise = noise
        self._reference_v = nominal.reference_v * (1.0 + errors.reference)
        self._lsb_v = self._reference_v / nominal.steps
        self.instants_s: tuple[float, ...] = tuple(
            late_s - nominal.sampled_s[1] + off_valley_s for late_s in nominal.sampled_s
        )
        """The instant that each fast channel's sample stands for, counted from the valley."""

    @property
    def late_s(self) -> float:
        """How much later than nominal the amplifiers show a current.

        A first-order low-pass answers a ramp with the ramp, 1/(2 pi bandwidth) later; sampled
        where no edge is nearer than a few such lags, that is exact for the ripple too.
        """
        nominal_s = 1.0 / (2.0 * math.pi * self.nominal.bandwidth_hz)
        return nominal_s / (1.0 + self.errors.bandwidth) - nominal_s

    def _codes(self, volts: Floats, noise_codes: float) -> NDArray[np.uint16]:
        """Convert as the ADC does: bow, offset, noise, rounding, and its ends."""
        steps = self.nominal.steps
        ideal = volts / self._lsb_v
        bow = self.errors.adc_bow * np.sin(2.6 * math.pi / steps * ideal)
        noise = noise_codes * self._noise.standard_normal(len(volts))
        codes = np.rint(ideal + bow + self.errors.adc_offset + noise)
        return np.clip(codes, 0, steps - 1).astype(np.uint16)

    def current_codes(self, name: str, current_a: Floats) -> NDArray[np.uint16]:
        """Codes of one current channel: shunt, amplifier with its output swing, ADC."""
        nominal, errors = self.nominal, self.errors.currents[name]
        shunt_v = current_a * (nominal.shunt_ohm * (1.0 + errors.shunt)) + errors.offset_v
        pin_v = 0.5 * self._reference_v + shunt_v * (nominal.gain * (1.0 + errors.gain))
        pin_v = np.clip(pin_v, nominal.swing_v, self._reference_v - nominal.swing_v)
        return self._codes(pin_v, self.errors.noise[name])

    def voltage_codes(self, volts: Floats) -> NDArray[np.uint16]:
        """Codes of the bus voltage divider."""
        pin_v = volts / (self.nominal.divider_ratio * (1.0 + self.errors.divider))
        return self._codes(pin_v, self.errors.noise["vbus"])

    def temperature_codes(self, celsius: Floats) -> NDArray[np.uint16]:
        """Codes of the heat sink's linear sensor."""
        nominal = self.nominal
        slope = nominal.temperature_v_per_k * (1.0 + self.errors.temperature)
        return self._codes(nominal.temperature_zero_v + slope * celsius, self.errors.noise["t_sink"])

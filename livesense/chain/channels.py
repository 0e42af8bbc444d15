"""One channel's conversion: codes to units and back, clipping, corrections, uncertainty."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from livesense.chain.budget import ADC_REFERENCE, Acts, Budget, Term
from livesense.chain.calibration import SCALE_KEYS, ZERO_KEYS, ChannelCalibration, Scale
from livesense.chain.temperature import PullUp
from livesense.samples import BoolArray, Codes, FloatArray

NO_ERRORS = Budget()
NOMINAL_C = 25.0
"""Temperature at which a shunt's resistance is stated (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ChannelChain:
    """What a channel's codes mean.

    Attributes
    ----------
    quantity
        "current", "voltage", "temperature", "state" or "number".
    source
        Names of the channels that a computed one is made from: minus their sum.
    low, high
        Readable range in ``unit``; infinite where nobody states one.
    per_code, zero_code
        ``value = per_code * (code - zero_code)``; None for thermometers and computed channels.
    budget
        Its systematic errors, one term for each.
    u_bandwidth, u_delay_s
        Standard uncertainties of ``bandwidth_hz`` (relative) and ``delay_s``.
    u_tempco_per_k
        Standard uncertainty by the shunt's temperature coefficient, relative per kelvin.
    shunt_lag_s
        Time constant L / R of the shunt: its voltage leads the current and grows with the frequency.
    u_quantisation
        Standard uncertainty of rounding one code, ``per_code / sqrt 12``, random.
    u_excludes
        Bench keys whose errors are not in the uncertainty, because they were left out.
    measured_c
        Temperature of the shunt at which the scale holds, °C: nominal, or that of a calibration.
    circuit
        Which of several machines or lines it belongs to; empty where there is one.
    shares
        Name of the scale error that other channels have in common with this one: that of the ADC's
        reference, or of the meter by which all were calibrated.
    rated_peak
        Peak of the motor's rated phase current, A; 0 where the bench file states none.
    """

    name: str
    unit: str
    quantity: str
    phase: str | None
    place: str
    group: int
    computed: bool = False
    source: tuple[str, ...] = ()
    low: float = -math.inf
    high: float = math.inf
    per_code: float | None = None
    zero_code: float | None = None
    budget: Budget = NO_ERRORS
    u_quantisation: float = 0.0
    u_excludes: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    labels: tuple[tuple[int, str], ...] = ()
    bandwidth_hz: float | None = None
    delay_s: float = 0.0
    u_bandwidth: float = 0.0
    u_delay_s: float = 0.0
    u_tempco_per_k: float = 0.0
    shunt_lag_s: float = 0.0
    lowest_code: int | None = None
    highest_code: int | None = None
    thermometer: PullUp | None = None
    code_offset: float = 0.0
    code_unit: float = 1.0
    sources: tuple[ChannelChain, ...] = ()
    shares: str = ADC_REFERENCE
    measured_c: float = NOMINAL_C
    circuit: str = ""
    rated_peak: float = 0.0

    @property
    def u_scale(self) -> float:
        """Relative standard uncertainty of the scale, systematic."""
        return self.budget.total(Acts.SCALE, Acts.PIN)

    @property
    def u_common(self) -> float:
        """The part of ``u_scale`` that is shared with the other channels."""
        return self.budget.total(Acts.SCALE, Acts.PIN, shared=self.shares)

    @property
    def u_offset(self) -> float:
        """Systematic standard uncertainty at a value of zero, in ``unit``. For thermometers: at 25 °C."""
        return self.budget.u_offset

    @property
    def u_bow(self) -> float:
        """Standard uncertainty by the ADC's non-linearity, in ``unit``; a part of ``u_offset``."""
        return self.budget.total(Acts.BOW)

    def values(self, codes: Codes | FloatArray) -> FloatArray:
        """Convert codes to ``unit``.

        Parameters
        ----------
        codes
            Any shape, integers or floats (means and the like are welcome).

        Returns
        -------
        array
            Of the same shape, float64. A device's own infinity is NaN like its other numbers that are none.

        Raises
        ------
        ValueError
            for a computed channel, which has no codes.
        """
        codes = np.asarray(codes)
        if self.thermometer is not None:
            return self.thermometer.celsius(codes * self.code_unit + self.code_offset)
        per_code, zero_code = self._linear()
        # The difference first: exactly zero at the zero code.
        values: FloatArray = codes.astype(np.float64)
        if codes.dtype.kind == "f":
            values[np.isinf(values)] = np.nan
        values -= zero_code
        values *= per_code
        return values

    def codes(self, values: ArrayLike) -> FloatArray:
        """Codes that stand for values in ``unit``, unrounded; any shape.

        Raises
        ------
        ValueError
            for a computed channel, which has no codes.
        """
        values = np.asarray(values, dtype=np.float64)
        if self.thermometer is not None:
            return np.asarray((self.thermometer.codes(values) - self.code_offset) / self.code_unit)
        per_code, zero_code = self._linear()
        return np.asarray(values / per_code + zero_code)

    def _linear(self) -> tuple[float, float]:
        if self.per_code is None or self.zero_code is None:
            why = f"computed from {', '.join(self.source)}" if self.source else "a thermometer"
            raise ValueError(f"channel {self.name!r} is not linear in codes: it is {why}")
        return self.per_code, self.zero_code

    def clip_codes(self) -> tuple[int | None, int | None]:
        """Lowest and highest code; at them or beyond, a value is clipped. None where nothing clips."""
        return self.lowest_code, self.highest_code

    def clipped(self, codes: Codes | FloatArray) -> BoolArray:
        """Tell which codes stand at an end of the code range or of the output's swing; any shape."""
        codes = np.asarray(codes)
        clipped = np.zeros(codes.shape, dtype=np.bool_)
        if self.lowest_code is not None:
            clipped |= codes <= self.lowest_code
        if self.highest_code is not None:
            clipped |= codes >= self.highest_code
        return clipped

    def correction(self, frequency_hz: float) -> complex:
        """Return the factor that turns a measured phasor into the one at the sensor's input.

        A channel sampled late appears to lead, by ``360 f delay`` degrees; a first-order
        low-pass makes smaller and lag; a shunt's inductance makes larger and lead. All are
        undone. A computed channel takes the mean
        of its sources', which is exact when they are alike.
        """
        if self.sources:
            return sum(source.correction(frequency_hz) for source in self.sources) / len(self.sources)
        undone = cmath.exp(-2j * math.pi * frequency_hz * self.delay_s)
        if self.bandwidth_hz is not None:
            undone *= 1 + 1j * frequency_hz / self.bandwidth_hz
        return undone / (1 + 2j * math.pi * frequency_hz * self.shunt_lag_s)

    def u_correction(self, frequency_hz: float) -> tuple[float, float]:
        """Tell the standard uncertainties that the correction leaves: relative of size, radians of angle.

        With r = f / bandwidth, size and angle of ``1 + i r`` change by ``r² / (1 + r²)`` and
        ``r / (1 + r²)`` per relative change of the bandwidth.
        """
        if self.sources:
            parts = [source.u_correction(frequency_hz) for source in self.sources]
            return math.hypot(*(p[0] for p in parts)), math.hypot(*(p[1] for p in parts))
        r = frequency_hz / self.bandwidth_hz if self.bandwidth_hz else 0.0
        by_delay = 2 * math.pi * frequency_hz * self.u_delay_s
        by_bandwidth = self.u_bandwidth * r / (1 + r * r)
        return by_bandwidth * r, math.hypot(by_bandwidth, by_delay)

    def u_systematic(self, values: ArrayLike) -> FloatArray:
        """Systematic standard uncertainty of single values, in ``unit``; any shape.

        With a zero that does not follow the ADC's reference, errors of the whole pin voltage
        move scale and zero together: they are added before squaring, which ``u_scale`` and
        ``u_offset`` by themselves cannot tell.
        """
        return self.budget.u_at(values)

    def at_temperature(self, shunt_c: float, u_c: float) -> ChannelChain:
        """Count the shunt's temperature coefficient over the change that was measured.

        Its own warmth is within what was measured, so that no self-heating is added to it.

        Parameters
        ----------
        shunt_c, u_c
            Temperature of the shunt and its standard uncertainty, °C.
        """
        change_k = math.hypot(shunt_c - self.measured_c, u_c)
        kept = [t for t in self.budget.terms if t.key not in ("shunt_tempco", "shunt_heating")]
        if self.u_tempco_per_k:
            text = f"{shunt_c:.0f} °C"
            u = self.u_tempco_per_k * change_k
            kept.append(Term("shunt_tempco", "temperature of the shunt", Acts.SCALE, u, text))
        return replace(self, budget=replace(self.budget, terms=tuple(kept)))

    def label(self, code: int) -> str:
        """Word for a state's code; the number where there is none."""
        return dict(self.labels).get(code, str(code))

    def with_zero(self, zero_code: float, u_zero_codes: float) -> ChannelChain:
        """Replace the zero by one that was measured, and the offset terms by its residual.

        The ADC's non-linearity stays: the zero is right at one code only.

        Parameters
        ----------
        zero_code
            Mean code at zero.
        u_zero_codes
            Its standard uncertainty in codes.

        Raises
        ------
        ValueError
            for a channel that is not linear in its codes.
        """
        per_code, _ = self._linear()
        moved = per_code * ((self.zero_code or 0.0) - zero_code)
        return replace(
            self,
            zero_code=zero_code,
            low=self.low + moved,
            high=self.high + moved,
            budget=self.budget.with_zero("zero", abs(u_zero_codes * per_code)),
            u_excludes=tuple(key for key in self.u_excludes if key not in ZERO_KEYS),
        )

    def with_scale(self, scale: Scale) -> ChannelChain:
        """Replace scale and zero by a measured line, and their errors by the line's own.

        Raises
        ------
        ValueError
            for a channel that is not linear in its codes.
        """
        self._linear()
        line = replace(self, per_code=scale.per_code, zero_code=scale.zero_code)
        ends = sorted(float(end) for end in line.values(self.codes([self.low, self.high])))
        return replace(
            line,
            low=ends[0],
            high=ends[1],
            u_quantisation=abs(scale.per_code) / math.sqrt(12),
            budget=self.budget.with_scale(scale),
            u_excludes=tuple(key for key in self.u_excludes if key not in (*ZERO_KEYS, *SCALE_KEYS)),
        )

    def calibrated(self, found: ChannelCalibration) -> ChannelChain:
        """Use what a calibration found.

        A stale zero is still the best there is, but what the bench file says of offsets may have come back
        since: both count.
        """
        new = self if found.scale is None else self.with_scale(found.scale)
        if found.zero is not None:
            new = new.with_zero(found.zero.code, found.zero.u_codes)
        if not found.stale:
            return new
        back = [key for key in self.u_excludes if key in new.u_excludes or key in ZERO_KEYS]
        return replace(
            new,
            budget=new.budget.with_terms(t for t in self.budget.terms if t.at_zero),
            u_excludes=tuple(back),
        )

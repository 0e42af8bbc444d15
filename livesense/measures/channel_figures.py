"""Every figure of one channel, from the line it shares with others or without one."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np

from livesense.measures.basic import batch_u, plain_figures, sample_noise
from livesense.measures.harmonics import thd_percent
from livesense.measures.iec_groups import grouped
from livesense.measures.kernel import ComplexArray
from livesense.measures.near_zero import u_of_magnitude
from livesense.measures.power import own_scale
from livesense.measures.shape import shape_of
from livesense.measures.sine_fit import NoLine, SineFit
from livesense.measures.three_phase import PHASES, PhasePhasor, angle_deg
from livesense.measures.visibility import effective_bits, unseen_peak
from livesense.samples import BoolArray, Estimate, FloatArray

CLIPPED_SHARE = 0.01
"""Above this share of clipped scans, mean, rms and everything from the fit are withheld."""

_SEEN = 4.0
"""A fundamental counts as there from so many times its standard uncertainty."""

_FOR_THD = 20.0


@dataclass(frozen=True)
class ChannelInput:
    """One channel's values and what its chain knows of them.

    Attributes
    ----------
    values, clipped
        ``(n,)``; None for ``clipped`` where nothing can clip.
    quantity
        "current", "voltage", "temperature", "state" or "number".
    phase
        "U", "V", "W", "bus" or None.
    u_scale
        Relative standard uncertainty of the scale, all of it.
    u_common
        The part of ``u_scale`` that the channels share (the ADC reference); 0 where not known.
    u_offset
        Standard uncertainty of the zero, in the channel's unit.
    u_quantisation
        Standard uncertainty of rounding one value, in the channel's unit.
    u_bow
        Standard uncertainty by the converter's non-linearity, in the channel's unit; ``u_offset`` holds
        it too.
    u_pin, pin_zero
        The part of ``u_scale`` that acts on the whole pin voltage, and the value that its zero amounts to:
        such an error moves scale and zero together.
    shared_offsets
        Parts of ``u_offset`` that are one error in several channels: their names, and how much it
        moves this one, with its sign.
    u_alternating
        Standard uncertainty (rms) by an error that alternates with the currents, at an unknown angle.
    correction
        Factor that turns a measured phasor at a frequency (Hz) into the one at the input.
    u_correction
        What that leaves, as standard uncertainties: relative of the size, radians of the angle.
    computed
        It is made from other channels, so that it says nothing of its own.
    sampled_at
        "low-on" or "high-on" where values are taken at certain switching states only.
    span
        From the lowest value that can be read to the highest; infinite where nothing bounds it.
    bandwidth_hz
        Of the first-order low-pass before the converter, where it is known.
    """

    values: FloatArray
    clipped: BoolArray | None = None
    unit: str = "A"
    quantity: str = "current"
    phase: str | None = None
    place: str = "in-line"
    u_scale: float = 0.0
    u_common: float = 0.0
    u_offset: float = 0.0
    u_quantisation: float = 0.0
    u_bow: float = 0.0
    u_pin: float = 0.0
    pin_zero: float = 0.0
    shared_offsets: Mapping[str, float] = field(default_factory=dict)
    u_alternating: float = 0.0
    u_correction: Callable[[float], tuple[float, float]] | None = None
    correction: Callable[[float], complex] | None = None
    computed: bool = False
    sampled_at: str | None = None
    span: float = math.inf
    bandwidth_hz: float | None = None

    @cached_property
    def clipped_scans(self) -> int:
        """How many values were at an end of the range."""
        return 0 if self.clipped is None else int(np.count_nonzero(self.clipped))

    @cached_property
    def noise(self) -> float:
        """Noise of one value: see :func:`sample_noise`."""
        return sample_noise(self.values)

    def u_systematic(self, value: float) -> float:
        """Systematic standard uncertainty of a value that does not alternate."""
        scale = (self.u_scale**2 - self.u_pin**2) * value**2
        offset = self.u_offset**2 - (self.u_pin * self.pin_zero) ** 2
        return math.sqrt(max(scale + offset, 0.0) + (self.u_pin * (value + self.pin_zero)) ** 2)

    @cached_property
    def no_number(self) -> str | None:
        """Why nothing at all can be said, if values are NaN or infinite."""
        missing = self.values.size - int(np.count_nonzero(np.isfinite(self.values)))
        return f"{missing} of {self.values.size} values are no numbers" if missing else None

    @property
    def too_clipped(self) -> str | None:
        """Why figures of the whole wave are withheld, if they are."""
        share = self.clipped_scans / self.values.size
        if share <= CLIPPED_SHARE:
            return None
        return f"{100 * share:.0f} % of the scans are at the end of the range: the true value is larger"


@dataclass(frozen=True, slots=True)
class ChannelMeasures:
    """Figures of one channel; what is withheld is None, with the reason beside."""

    mean: Estimate | None = None
    rms: Estimate | None = None
    ac_rms: Estimate | None = None
    min: Estimate | None = None
    max: Estimate | None = None
    peak_to_peak: Estimate | None = None
    crest_factor: Estimate | None = None
    fundamental_rms: Estimate | None = None
    frequency_hz: Estimate | None = None
    phase_deg: Estimate | None = None
    thd_percent: Estimate | None = None
    noise_rms: Estimate | None = None
    thd_group_percent: Estimate | None = None
    thd_subgroup_percent: Estimate | None = None
    effective_bits: Estimate | None = None
    unseen_peak: Estimate | None = None
    shortest_visible_s: float | None = None
    thd_order: int | None = None
    thd_group_order: int | None = None
    shape: str | None = None
    harmonics: dict[str, list[float | None]] | None = None
    clipped_scans: int = 0
    withheld: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Line:
    """A fit of several channels: ``columns`` tells which is which.

    ``reference`` is phase U's fundamental (rms, at the input) with the uncertainty of one
    component; None without one.
    """

    fit: SineFit
    columns: dict[str, int]
    u_rate_relative: float = 0.0
    reference: PhasePhasor | None = None

    def frequency(self) -> Estimate:
        """Frequency of the fit, the scan rate's uncertainty in it."""
        f = self.fit.frequency_hz
        return Estimate(f.value, f.u_random, f.value * self.u_rate_relative, "Hz")

    def corrections(self, channel: ChannelInput) -> ComplexArray:
        """``(H,)`` factors that bring a channel's harmonics to its input."""
        if channel.correction is None:
            return np.ones(self.fit.orders, dtype=np.complex128)
        f = self.fit.frequency_hz.value
        return np.array(
            [channel.correction(h * f) for h in range(1, self.fit.orders + 1)], dtype=np.complex128
        )

    def phasors(self, name: str, channel: ChannelInput, column: int | None = None) -> ComplexArray:
        """``(H,)`` rms phasors of a channel, at its input; by its name, or its column in the fit."""
        at = self.columns[name] if column is None else column
        return np.asarray(self.fit.phasor_rms[at] * self.corrections(channel))

    def rounding(self, name: str, channel: ChannelInput) -> float:
        """Uncertainty (rms) of the fundamental by roundings that repeat from cycle to cycle.

        Without noise to stir them only the roundings of one cycle are independent, however
        long the window is: ``u_quantisation * sqrt(3 / values in a cycle)``; the 3 because alike
        phases are rounded alike, so that their mean gains nothing. Many values in a cycle do not
        help where the wave is flat: around the peak of a sine of amplitude A the error goes
        with ``sqrt(step / A)`` (measured; the Bessel functions of a rounded sine decay like it).
        """
        column = self.columns[name]
        if self.fit.residual_rms[column] >= _STIRRED * channel.u_quantisation:
            return 0.0
        values = max(2.0, len(self.fit.residual) / self.fit.cycles)
        step = math.sqrt(12) * channel.u_quantisation
        flat = 3.0 * math.sqrt(step / max(float(self.fit.amplitude[column, 0]), step))
        return channel.u_quantisation * min(1.0, max(math.sqrt(3.0 / values), flat))

    def fundamental(self, name: str, channel: ChannelInput) -> PhasePhasor:
        """Return a channel's fundamental with what is known of its uncertainty."""
        phasor = complex(self.phasors(name, channel)[0])
        # A bend of the converter is the same function of the value up and down: it changes the size
        # of a wave and not its angle, like an error of this channel's scale.
        size = abs(phasor)
        bend = bend_of_fundamental(channel) / size if size else 0.0
        u_size, u_angle = self.u_corrections(channel)
        # What alternates with the currents may stand at any angle to them: as much along as across.
        along = channel.u_alternating / size if size else 0.0
        own = math.hypot(own_scale(channel.u_scale, channel.u_common), bend, u_size, along)
        across = math.hypot(channel.u_alternating, size * u_angle)
        u = float(self.fit.u_quadrature[self.columns[name], 0]) / math.sqrt(2)
        u = math.hypot(u, self.rounding(name, channel)) * abs(self.corrections(channel)[0])
        return PhasePhasor(phasor, u, own, channel.u_common, across)

    def u_corrections(self, channel: ChannelInput) -> tuple[float, float]:
        """Tell what the corrections of a fundamental leave: relative of its size, radians of its angle."""
        if channel.u_correction is None:
            return 0.0, 0.0
        return channel.u_correction(self.fit.frequency_hz.value)


def figures_from_line(
    name: str, channel: ChannelInput, line: Line, rate_hz: float, *, turns: bool = True
) -> ChannelMeasures:
    """Figures of a channel that was fitted.

    ``turns`` tells a channel whose line is its own (a phase, or one measured alone) from one that
    stands beside the phases, whose distortion would mean nothing.
    """
    fit, column, unit = line.fit, line.columns[name], channel.unit
    withheld: dict[str, str] = {}
    # Few scans a cycle make differences of neighbours, which noise is else judged by, those of the wave.
    out = _extremes(channel, withheld, float(fit.residual_rms[column]))
    harmonics = np.abs(line.phasors(name, channel))
    gain = np.abs(line.corrections(channel))
    u_amplitude = fit.u_amplitude[column] / math.sqrt(2) * gain
    u_component = fit.u_quadrature[column] / math.sqrt(2) * gain
    noise = float(fit.residual_rms[column])
    freedom = max(1, len(fit.residual) - 2 * fit.orders - 2)
    u_noise = batch_u(fit.residual[:, column] ** 2) / (2 * noise) if noise > 0 else 0.0
    u_noise = max(u_noise, noise / math.sqrt(2 * freedom))
    ac = math.sqrt(float(np.sum(harmonics**2)) + noise**2)
    u_square = math.hypot(
        float(np.linalg.norm(harmonics * u_amplitude)),
        noise * u_noise,
        harmonics[0] * line.rounding(name, channel),
    )
    u_mean = math.hypot(float(fit.u_mean[column]), lasting_rounding(channel))
    first = line.fundamental(name, channel)
    size = abs(first.rms)
    seen = size > 0 and size >= _SEEN * first.u_component
    if seen:
        out["frequency_hz"] = line.frequency()
    else:
        withheld |= dict.fromkeys(_OF_THE_LINE, "this channel carries no fundamental to be seen")
    if channel.too_clipped is not None:
        withheld |= dict.fromkeys(
            (*_OF_THE_WAVE, "fundamental_rms", "phase_deg", "thd_percent", *_GROUPED), channel.too_clipped
        )
        return ChannelMeasures(**out, withheld=withheld)
    out |= _levels(channel, float(fit.mean[column]), ac, u_mean, u_square / ac if ac > 0 else 0.0)
    u_noise = math.hypot(u_noise, lasting_rounding(channel))
    out["noise_rms"] = Estimate(noise, u_noise, noise * channel.u_scale, unit)
    _bits(out, withheld, channel)
    lost = size * (fit.phase_spread_rad**2 + fit.amplitude_spread**2) / 2
    u_size = math.hypot(u_of_magnitude(size, first.u_component), lost)
    s_size = math.hypot(
        size * channel.u_scale,
        bend_of_fundamental(channel),
        channel.u_alternating,
        size * line.u_corrections(channel)[0],
    )
    out["fundamental_rms"] = Estimate(size, u_size, s_size, unit)
    if seen:
        _put(out, withheld, "phase_deg", _phase(first, line))
        _put(out, withheld, "thd_percent", _thd(harmonics, u_component, fit, channel, turns))
        out["thd_order"] = fit.orders if "thd_percent" in out else None
    if seen and turns:
        out |= _of_harmonics(channel, line, column, (harmonics, u_component), rate_hz, withheld)
        crest = out.get("crest_factor")
        out["shape"] = shape_of(harmonics, math.inf if crest is None else crest.value)
    else:
        withheld |= dict.fromkeys(_GROUPED, withheld.get("thd_percent", "there is no harmonic"))
    return ChannelMeasures(**out, withheld=withheld)


_GROUPED = ("thd_group_percent", "thd_subgroup_percent")


def _of_harmonics(
    channel: ChannelInput,
    line: Line,
    column: int,
    sizes: tuple[FloatArray, FloatArray],
    rate_hz: float,
    withheld: dict[str, str],
) -> dict[str, Any]:
    """Each harmonic's size and angle, and groups of them where whole windows fit."""
    fit = line.fit
    rms, u = sizes
    phasors = line.phasors("", channel, column)
    # As if the fundamental's phase were 0: what a harmonic does to the shape.
    turned = np.angle(phasors * np.exp(-1j * np.arange(1, fit.orders + 1) * np.angle(phasors[0])))
    told: dict[str, list[float | None]] = {
        "order": [float(h) for h in range(1, fit.orders + 1)],
        "rms": [float(r) for r in rms],
        "u": [math.hypot(a, b * channel.u_scale) for a, b in zip(u.tolist(), rms.tolist(), strict=True)],
        "phase_deg": [
            math.degrees(a) if r > _SEEN * uc else None
            for a, r, uc in zip(turned.tolist(), rms.tolist(), u.tolist(), strict=True)
        ],
    }
    found = None if fit.sweep_hz_per_s is not None else grouped(
        fit, column, rate_hz, np.abs(line.corrections(channel))
    )  # fmt: skip
    if found is None:
        withheld |= dict.fromkeys(
            _GROUPED,
            "the speed changes within the window"
            if fit.sweep_hz_per_s is not None
            else "no window of ten whole cycles, or no harmonic below half the scan rate",
        )
        return {"harmonics": told}
    told |= {"group_rms": found.group_rms.tolist(), "subgroup_rms": found.subgroup_rms.tolist()}
    bend = 100 * math.hypot(channel.u_quantisation, channel.u_bow) / float(rms[0])
    return {
        "harmonics": told,
        "thd_group_percent": replace(found.thd_group_percent, u_systematic=bend),
        "thd_subgroup_percent": replace(found.thd_subgroup_percent, u_systematic=bend),
        "thd_group_order": found.orders,
    }


def figures_without_line(channel: ChannelInput, none: NoLine) -> ChannelMeasures:
    """Figures of a channel for which no line can be stood by.

    A phase's mean is given only where nothing alternates: elsewhere the window would end in a
    broken cycle. rms values are those of the window as it is.
    """
    withheld = dict.fromkeys(("fundamental_rms", *_OF_THE_LINE), none.reason)
    out = _extremes(channel, withheld)
    if channel.too_clipped is not None:
        withheld |= dict.fromkeys(_OF_THE_WAVE, channel.too_clipped)
        return ChannelMeasures(**out, withheld=withheld)
    plain = plain_figures(channel.values, channel.noise)
    u_mean = math.hypot(plain.u_mean, lasting_rounding(channel))
    out |= _levels(channel, plain.mean, plain.ac_rms, u_mean, plain.u_ac_rms)
    if none.quiet:
        u_noise = math.hypot(plain.u_ac_rms, lasting_rounding(channel))
        out["noise_rms"] = Estimate(plain.ac_rms, u_noise, plain.ac_rms * channel.u_scale, channel.unit)
        _bits(out, withheld, channel)
    else:
        withheld |= dict.fromkeys(("noise_rms", "effective_bits"), none.reason)
        if channel.phase in PHASES:
            del out["mean"]
            withheld["mean"] = none.reason
    return ChannelMeasures(**out, withheld=withheld)


def no_figures(reason: str) -> ChannelMeasures:
    """Withhold every figure of a channel."""
    return ChannelMeasures(withheld=dict.fromkeys(_ALL, reason))


_ALL = tuple(entry.name for entry in fields(ChannelMeasures) if entry.type == "Estimate | None")
_OF_THE_LINE = ("frequency_hz", "phase_deg", "thd_percent", "thd_group_percent", "thd_subgroup_percent")
_OF_THE_WAVE = ("mean", "rms", "ac_rms", "crest_factor", "noise_rms", "effective_bits")


def _put(out: dict[str, Any], withheld: dict[str, str], key: str, result: Estimate | str) -> None:
    if isinstance(result, str):
        withheld[key] = result
    else:
        out[key] = result


_STIRRED = 2.0
"""Noise of half a code and more makes roundings independent; with them it is twice theirs (q/√12)."""


def lasting_rounding(channel: ChannelInput) -> float:
    """Uncertainty by rounding that does not average out: values that keep to one or two codes."""
    stirred = channel.noise >= _STIRRED * channel.u_quantisation
    return 0.0 if stirred else channel.u_quantisation


def bend_of_fundamental(channel: ChannelInput) -> float:
    """Uncertainty (rms) of a fundamental by the converter's non-linearity, whatever its shape.

    Codes wrong by at most a, with the sign of the wave at the worst, make a square wave of a: its
    fundamental is 4 a / pi.
    """
    return 4 / (math.pi * math.sqrt(2)) * channel.u_bow


def _levels(channel: ChannelInput, mean: float, ac: float, u_mean: float, u_ac: float) -> dict[str, Any]:
    unit, scale, offset = channel.unit, channel.u_scale, channel.u_offset
    rms = math.hypot(mean, ac)
    u_ac = math.hypot(u_ac, lasting_rounding(channel))
    u_rms, s_rms = lasting_rounding(channel), 0.0
    if rms > 0:
        u_rms = math.hypot(mean * u_mean, ac * u_ac) / rms
        # An offset enters the square twice: with the mean, and by itself where the mean is small.
        # A bend adds at most its own rms value to the alternating part (the triangle inequality).
        bend = ac * math.hypot(channel.u_bow, channel.u_alternating) / rms
        s_rms = math.hypot(rms * scale, mean * offset / rms, offset**2 / (2 * rms), bend)
    return {
        "mean": Estimate(mean, u_mean, channel.u_systematic(mean), unit),
        "rms": Estimate(rms, u_rms, s_rms, unit),
        "ac_rms": Estimate(ac, u_ac, math.hypot(ac * scale, channel.u_bow, channel.u_alternating), unit),
    }


def _extremes(channel: ChannelInput, withheld: dict[str, str], residual: float = math.inf) -> dict[str, Any]:
    """Largest and smallest value: of the samples, noise and all.

    The largest of n values holds the largest of n noises, about ``sqrt(2 ln n)`` standard
    deviations (Gaussian): ± 2 u reaches that far back.
    """
    plain = plain_figures(channel.values, channel.noise)
    by_noise = min(plain.noise, residual) * max(1.0, math.sqrt(2 * math.log(channel.values.size)) / 2)
    u = math.hypot(channel.u_quantisation, by_noise)
    scale, offset, unit = channel.u_scale, channel.u_offset, channel.unit
    out: dict[str, Any] = {"clipped_scans": channel.clipped_scans}
    # An alternating error at its peak, where it stands in step with the current.
    peak = math.sqrt(2) * channel.u_alternating
    out["min"] = Estimate(plain.low, u, math.hypot(channel.u_systematic(plain.low), peak), unit)
    out["max"] = Estimate(plain.high, u, math.hypot(channel.u_systematic(plain.high), peak), unit)
    span = plain.peak_to_peak
    out["unseen_peak"] = Estimate(unseen_peak(channel.values), unit=unit)
    out["peak_to_peak"] = Estimate(span, 2 * u, math.hypot(span * scale, 2 * peak), unit)
    if channel.too_clipped is not None:
        return out
    if plain.rms > 2 * math.hypot(offset, channel.u_quantisation):
        crest = plain.crest_factor
        u_crest = crest * math.hypot(u / plain.peak, plain.u_rms / plain.rms)
        # A common scale cancels; an offset moves the peak and, by the mean, the rms.
        s_crest = offset * abs(1 / plain.rms - crest * abs(plain.mean) / plain.rms**2)
        out["crest_factor"] = Estimate(crest, u_crest, s_crest, "")
    else:
        withheld["crest_factor"] = "the rms value is not clear of the uncertainty of zero"
    return out


def _bits(out: dict[str, Any], withheld: dict[str, str], channel: ChannelInput) -> None:
    noise = out["noise_rms"]
    if not math.isfinite(channel.span):
        withheld["effective_bits"] = "the channel's range is not known"
    elif not noise.value > 0:
        withheld["effective_bits"] = "there is no noise to be seen"
    else:
        # A converter's own rounding is the least that there is.
        bits = effective_bits(channel.span, max(noise.value, channel.u_quantisation))
        out["effective_bits"] = Estimate(bits, noise.u_random / noise.value / math.log(2), unit="bit")


def _phase(first: PhasePhasor, line: Line) -> Estimate | str:
    if line.reference is None:
        return "there is no phase U to refer to"
    angle, reason = angle_deg(first, line.reference)
    if angle is None:
        return str(reason)
    # U against itself has no uncertainty.
    return Estimate(0.0, unit="°") if first == line.reference else angle


def _thd(
    harmonics: FloatArray, u_component: FloatArray, fit: SineFit, channel: ChannelInput, turns: bool
) -> Estimate | str:
    if not turns:
        return "this channel has no fundamental of its own"
    if fit.orders < 2:
        return "every harmonic lies above half the scan rate"
    if harmonics[0] < _FOR_THD * u_component[0]:
        return "the fundamental is too small against the noise"
    h = np.arange(1, fit.orders + 1)
    thd = thd_percent(harmonics, u_component, h**2 * fit.phase_spread_rad**2 / 2)
    # Steps and bends of the converter look like the current's own harmonics.
    bend = math.hypot(channel.u_quantisation, channel.u_bow)
    return replace(thd, u_systematic=100 * bend / float(harmonics[0]))

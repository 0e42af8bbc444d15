"""All figures of channels that were sampled together, over one whole stretch.

The phases' currents give the frequency; every channel is then fitted at it, so that means and rms
values are those of whole cycles. Where there is no line to be stood by, figures that need one are
withheld with the reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from livesense.measures.channel_figures import (
    ChannelInput,
    ChannelMeasures,
    Line,
    figures_from_line,
    figures_without_line,
    no_figures,
)
from livesense.measures.chirp_fit import chirp_start, fit_chirp
from livesense.measures.group_phases import phase_sets, preferred
from livesense.measures.group_power import group_power, products
from livesense.measures.group_pwm import Pwm, group_pwm
from livesense.measures.group_vector import Vector, group_vector
from livesense.measures.power import Power
from livesense.measures.sine_fit import FEWEST_SCANS, NoLine, SineFit, fit_line, rough_line
from livesense.measures.speed import rpm
from livesense.measures.three_phase import PHASES, ThreePhase
from livesense.measures.vectors import clarke
from livesense.measures.visibility import shortest_visible_s
from livesense.samples import Estimate, FloatArray

_ALTERNATING = ("current", "voltage", "number")
_NOT_TURNING = NoLine("this quantity has no line", quiet=True)


@dataclass(frozen=True, slots=True)
class Speed:
    """Electrical frequency of the phases and what follows from it."""

    electrical_hz: Estimate | None = None
    rpm: Estimate | None = None
    acceleration_hz_per_s: Estimate | None = None
    withheld: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class GroupMeasures:
    """Figures of one group; field names are the keys of the scripting contract.

    ``three_phase`` is the set of the preferred places, None where a phase has no current channel;
    ``three_phase_by_place`` is filled where a phase has several.
    """

    channels: dict[str, ChannelMeasures]
    three_phase: ThreePhase | None
    three_phase_by_place: dict[str, ThreePhase]
    power: Power
    speed: Speed
    temperatures: dict[str, Estimate]
    vector: Vector | None = None
    pwm: Pwm | None = None

    def withheld(self) -> dict[str, str]:
        """Every reason, under the dotted path of its figure (``channels.iu.phase_deg``)."""
        parts: dict[str, Any] = {f"channels.{name}": c for name, c in self.channels.items()}
        if self.three_phase is not None:
            parts["three_phase"] = self.three_phase
        parts |= {f"three_phase_by_place.{place}": t for place, t in self.three_phase_by_place.items()}
        parts |= {"power": self.power, "speed": self.speed}
        if self.vector is not None:
            parts["vector"] = self.vector
        if self.pwm is not None:
            parts["pwm"] = self.pwm
        return {f"{path}.{key}": why for path, part in parts.items() for key, why in part.withheld.items()}


def measure_group(
    channels: Mapping[str, ChannelInput],
    rate_hz: float,
    *,
    u_rate_relative: float = 0.0,
    pole_pairs: int | None = None,
    harmonics: int = 13,
    start_hz: float | None = None,
    pwm_hz: float | None = None,
) -> GroupMeasures:
    """Figures of channels sampled together, ``(n,)`` values each, without a gap inside.

    Parameters
    ----------
    channels
        By name; all of one length. Of one with values that are not finite every figure is withheld, and
        the others are measured without it.
    rate_hz
        Scan rate; the fitted one where there is one.
    u_rate_relative
        Its relative standard uncertainty.
    pole_pairs
        Of the motor; None withholds rpm.
    harmonics
        Highest order to be fitted.
    start_hz
        Where the line is expected; None looks everywhere.
    pwm_hz
        Stated frequency of the pulses; None looks for no ripple.

    Raises
    ------
    ValueError
        When the lengths differ or there is no value.
    """
    lengths = {c.values.size for c in channels.values()}
    if len(lengths) > 1 or 0 in lengths:
        raise ValueError(f"channels: expected one length above 0, got {sorted(lengths)}")
    broken = {n: reason for n, c in channels.items() if (reason := c.no_number) is not None}
    whole = {n: c for n, c in channels.items() if n not in broken}
    fitted = {n: c for n, c in whole.items() if c.quantity in _ALTERNATING}
    options = _Options(rate_hz, u_rate_relative, harmonics, start_hz)
    line = _shared_line(fitted, options)
    figures: dict[str, ChannelMeasures] = {}
    for name, channel in channels.items():
        if name in broken:
            figures[name] = no_figures(broken[name])
            continue
        own = _line_of(name, channel, line, options) if name in fitted else _NOT_TURNING
        if isinstance(own, Line):
            turns = line is None or channel.phase in PHASES
            figures[name] = figures_from_line(name, channel, own, rate_hz, turns=turns)
        else:
            figures[name] = figures_without_line(channel, own)
        shortest = shortest_visible_s(rate_hz, channel.bandwidth_hz)
        figures[name] = replace(figures[name], shortest_visible_s=shortest)
    main, by_place = phase_sets(whole, line)
    temperatures = {n: figures[n].mean for n, c in channels.items() if c.quantity == "temperature"}
    return GroupMeasures(
        figures,
        main,
        by_place,
        group_power(fitted, figures, line, rate_hz, u_rate_relative),
        _speed(line, main, pole_pairs),
        {name: mean for name, mean in temperatures.items() if mean is not None},
        group_vector(whole, line, rate_hz),
        None if pwm_hz is None else group_pwm(whole, line, rate_hz, u_rate_relative, pwm_hz),
    )


@dataclass(frozen=True, slots=True)
class _Options:
    rate_hz: float
    u_rate_relative: float
    harmonics: int
    start_hz: float | None


def _shared_line(channels: Mapping[str, ChannelInput], options: _Options) -> Line | NoLine | None:
    """Fit the line of the phases; None where no channel has a phase."""
    phased = [n for n, c in channels.items() if c.phase in PHASES and not c.computed]
    currents = [n for n in phased if channels[n].quantity == "current"]
    leading = currents or phased
    if not leading:
        return None
    made = products(channels)
    names = [*channels, *made]
    # Channel by channel in memory, as the fit takes them.
    matrix = np.stack([*(c.values for c in channels.values()), *made.values()]).T
    columns = {name: column for column, name in enumerate(names)}
    fit = fit_line(
        matrix,
        options.rate_hz,
        harmonics=options.harmonics,
        start_hz=options.start_hz,
        leading=[columns[n] for n in leading],
    )
    if isinstance(fit, NoLine):
        swept = _swept_line(channels, matrix, columns, options) if not fit.quiet else None
        if swept is None:
            return _tell_change(fit, matrix[:, [columns[n] for n in leading]], options.rate_hz)
        fit = swept
    line = Line(fit, columns, options.u_rate_relative)
    u = preferred(channels).get("U")
    return line if u is None else replace(line, reference=line.fundamental(u, channels[u]))


def _swept_line(
    channels: Mapping[str, ChannelInput], matrix: FloatArray, columns: Mapping[str, int], options: _Options
) -> SineFit | None:
    """Fit a line whose frequency goes evenly, where three currents tell how they turn."""
    three = preferred(channels)
    if len(three) < 3 or len(matrix) < FEWEST_SCANS:
        return None
    first = [columns[three[phase]] for phase in PHASES]
    # A computed phase has no say in the frequency; two that are measured tell all the same.
    leading = [columns[name] for name in three.values() if not channels[name].computed]
    order = [*leading, *(column for column in columns.values() if column not in leading)]
    vector, _ = clarke(*(matrix[:, column] for column in first))
    start = chirp_start(vector - vector.mean(), options.rate_hz)
    fit = fit_chirp(matrix[:, order], options.rate_hz, start, lead=len(leading))
    return fit.reordered(np.argsort(order)) if isinstance(fit, SineFit) else None


def _line_of(
    name: str, channel: ChannelInput, line: Line | NoLine | None, options: _Options
) -> Line | NoLine:
    """Choose the group's line, or a channel's own where there are no phases to share one."""
    if line is not None:
        return line
    fit = fit_line(channel.values, options.rate_hz, harmonics=options.harmonics, start_hz=options.start_hz)
    return Line(fit, {name: 0}, options.u_rate_relative) if isinstance(fit, SineFit) else fit


def _tell_change(none: NoLine, values: FloatArray, rate_hz: float) -> NoLine:
    """Name the frequencies of both halves where they differ."""
    if none.quiet:
        return none
    half = values.shape[0] // 2
    if half < 2:
        return none
    first, second = rough_line(values[:half], rate_hz), rough_line(values[half:], rate_hz)
    if first is None or second is None or abs(first - second) < 0.02 * max(first, second):
        return none
    return NoLine(
        f"the frequency is not constant: about {first:.3g} Hz in the window's first half, "
        f"{second:.3g} Hz in its second"
    )


def _speed(line: Line | NoLine | None, main: ThreePhase | None, pole_pairs: int | None) -> Speed:
    keys = ("electrical_hz", "rpm", "acceleration_hz_per_s")
    if not isinstance(line, Line):
        reason = "no phase current or voltage is measured" if line is None else line.reason
        return Speed(withheld=dict.fromkeys(keys, reason))
    if main is not None and main.sequence is None:
        return Speed(withheld=dict.fromkeys(keys, f"no rotation: {main.withheld['sequence']}"))
    frequency, sweep = line.frequency(), line.fit.sweep_hz_per_s
    withheld = {} if sweep is not None else {"acceleration_hz_per_s": "the speed is steady within the window"}
    if pole_pairs is None:
        withheld["rpm"] = "the number of pole pairs is not stated"
        return Speed(frequency, None, sweep, withheld)
    return Speed(frequency, rpm(frequency, pole_pairs), sweep, withheld)

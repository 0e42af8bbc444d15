"""The `measure` command's figures: picks a whole stretch, measures each group, writes the contract's JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from livesense.chain import Chain, ChannelChain
from livesense.chain.budget import ADC_REFERENCE, Acts
from livesense.errors import UsageError
from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import GroupMeasures, measure_group
from livesense.measures.three_phase import PHASES
from livesense.retained import dropped_text
from livesense.samples import Codes, Estimate
from livesense.timetext import run_seconds

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LONGEST_SCANS = 1_000_000
"""Scans fitted at once; a longer stretch is measured on its beginning, and says so in ``used_to_s``."""


def measure_run(analysis: RunAnalysis, from_s: float | None, to_s: float | None) -> dict[str, Any]:
    """Figures between two instants of a run, ready for JSON; without any, of its longest steady stretch.

    Raises
    ------
    UsageError
        when the window holds no scans.
    """
    begin_s, end_s = analysis.extent_s()
    given = from_s is not None or to_s is not None
    steady = None if given else _steady_window(analysis)
    if steady is not None:
        from_s, to_s = max(steady[0], begin_s), min(steady[1], end_s)
    from_s = begin_s if from_s is None else from_s
    to_s = end_s if to_s is None else to_s
    groups = range(len(analysis.run.groups))
    lead = _leading_group(analysis)
    used = _longest_stretch(analysis, lead, from_s, to_s)
    dropped = dropped_text(analysis, from_s, to_s, lead)
    if used is None and dropped is not None:
        raise UsageError(f"no figures between {from_s:g} s and {to_s:g} s: {dropped}")
    if used is None:
        raise UsageError(
            f"no scans between {from_s:g} s and {to_s:g} s: the run holds {begin_s:g} s to {end_s:g} s"
        )
    axis = analysis.run.time_axis(lead)
    first_s, used_to_s = float(axis.time_s(np.array([used[0]]))[0]), axis.end_s(used[1] - 1)
    measured: dict[int, GroupMeasures] = {lead: measure_stretch(analysis, lead, *used)}
    for group in groups:
        if group != lead and (part := _longest_stretch(analysis, group, first_s, used_to_s)) is not None:
            measured[group] = measure_stretch(analysis, group, *part)
    return {
        "run": analysis.run.row.number,
        "from_s": run_seconds(from_s),
        "to_s": run_seconds(to_s),
        "used_from_s": run_seconds(first_s),
        "used_to_s": run_seconds(used_to_s),
        "window": "given" if given else "all" if steady is None else "steady",
        "coverage_factor_of_u": 1,
        "dropped": dropped,
        **_assemble(analysis, measured, lead, (first_s, used_to_s)),
    }


def _steady_window(analysis: RunAnalysis) -> tuple[float, float] | None:
    from livesense.default_window import longest_steady

    return longest_steady(analysis)


def _leading_group(analysis: RunAnalysis) -> int:
    """Tell which group holds the phase currents; without any, the first that has channels."""
    for channel in analysis.channels:
        if channel.phase in {"U", "V", "W"} and channel.quantity == "current":
            return channel.group
    return analysis.channels[0].group if analysis.channels else 0


def _longest_stretch(analysis: RunAnalysis, group: int, from_s: float, to_s: float) -> tuple[int, int] | None:
    first, stop = analysis.scans_between(group, from_s, to_s)
    whole = [s for s in analysis.stretches(group, first, stop) if s[1] > s[0]]
    if not whole or not analysis.chain.group_channels(group):
        return None
    begin, end = max(whole, key=lambda stretch: stretch[1] - stretch[0])
    return begin, min(end, begin + LONGEST_SCANS)


def measure_stretch(analysis: RunAnalysis, group: int, first: int, stop: int) -> GroupMeasures:
    """Figures of one group over the scans ``first`` to ``stop`` (not included), without a gap inside."""
    pieces = [codes for _, codes in analysis.run.codes(group, first, stop)]
    codes = pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
    sampled_at = {c.name: c.sampled_at for c in analysis.bench.channels}
    channels = analysis.chain.group_channels(group)
    axis = analysis.run.time_axis(group)
    from_s, to_s = float(axis.time_s(np.array([first]))[0]), axis.end_s(stop - 1)
    channels = [at_its_temperature(analysis, channel, from_s, to_s) for channel in channels]
    common = shared_by_phases(channels)
    inputs = {
        channel.name: channel_input(analysis.chain, channel, codes, sampled_at[channel.name], common)
        for channel in channels
    }
    rate = analysis.believed_rate_hz(group, first)
    motor = analysis.bench.motor
    return measure_group(
        inputs,
        rate.value,
        u_rate_relative=rate.u / rate.value,
        pole_pairs=motor.pole_pairs if motor is not None else None,
        pwm_hz=motor.pwm_hz if motor is not None else None,
    )


def at_its_temperature(
    analysis: RunAnalysis, channel: ChannelChain, from_s: float, to_s: float
) -> ChannelChain:
    """Take a channel's chain as warm as the thermometer at its shunt was; as it is where there is none."""
    name = next((c.temperature for c in analysis.bench.channels if c.name == channel.name), None)
    thermometer = analysis.chain.channels.get(name or "")
    if name is None or thermometer is None:
        return channel
    # A slow group may have no scan within a short window: the nearest second around it will do.
    for around_s in (0.0, 1.0):
        values = [w.values[name] for w in analysis.window(from_s - around_s, to_s + around_s, [name])]
        known = np.concatenate(values) if values else np.zeros(0)
        known = known[np.isfinite(known)]
        if known.size:
            u_c = float(thermometer.u_systematic(known.mean()))
            return channel.at_temperature(float(known.mean()), math.hypot(u_c, float(known.std())))
    return channel


def shared_by_phases(channels: Sequence[ChannelChain]) -> frozenset[str]:
    """Names of the errors of scale that all phase currents have in common: they unbalance nothing.

    A meter that only one or two of them were calibrated with is not among them.
    """
    phases = [
        set(c.budget.shared_scales()) for c in channels if c.quantity == "current" and c.phase in PHASES
    ]
    return frozenset(set.intersection(*phases) if phases else set()) | {ADC_REFERENCE}


def channel_input(
    chain: Chain,
    channel: ChannelChain,
    codes: Codes,
    sampled_at: str | None = None,
    common: frozenset[str] = frozenset({ADC_REFERENCE}),
) -> ChannelInput:
    """Join a channel's values, from its group's codes ``(n, channels)``, with what its chain knows.

    ``common`` names the errors of scale that are taken as one and the same in all channels.
    """
    values = chain.value(channel.name, codes)
    budget = channel.budget
    # Warm by its own current: the mean of the squares is what heats.
    heating = budget.total(Acts.HEATING)
    warm = heating * float(np.mean(values**2)) if heating else 0.0
    return ChannelInput(
        values=values,
        clipped=chain.clipped(channel.name, codes),
        unit=channel.unit,
        quantity=channel.quantity,
        phase=channel.phase,
        place=channel.circuit or channel.place,
        u_scale=math.hypot(channel.u_scale, warm) if math.isfinite(warm) else channel.u_scale,
        u_common=math.hypot(*(u for name, u in budget.shared_scales().items() if name in common)),
        u_offset=channel.u_offset,
        u_quantisation=channel.u_quantisation,
        u_bow=channel.u_bow,
        u_pin=budget.total(Acts.PIN),
        pin_zero=budget.pin_zero,
        shared_offsets=budget.shared_offsets(),
        u_alternating=budget.total(Acts.ALTERNATING),
        u_correction=channel.u_correction,
        correction=channel.correction,
        computed=channel.computed,
        sampled_at=sampled_at,
        span=channel.high - channel.low,
        bandwidth_hz=channel.bandwidth_hz,
    )


def _assemble(
    analysis: RunAnalysis, measured: dict[int, GroupMeasures], lead: int, span_s: tuple[float, float]
) -> dict[str, Any]:
    from livesense.machine_facts import machine_facts

    channels: dict[str, Any] = {}
    withheld: dict[str, str] = {}
    temperatures: dict[str, Any] = {}
    for name, channel in analysis.chain.channels.items():
        group = measured.get(channel.group)
        if group is None or name not in group.channels:
            continue
        channels[name] = {**_facts(group.channels[name]), "u_excludes": list(channel.u_excludes)}
        if channel.computed:
            channels[name]["computed"] = True
    for number, group in measured.items():
        # Speed and phases are the leading group's business; the others have none to miss.
        withheld |= {
            key: why for key, why in group.withheld().items() if number == lead or key.startswith("channels.")
        }
        temperatures |= {name: value.as_json() for name, value in group.temperatures.items()}
    main = measured[lead]
    # The bus may be sampled in another group than the phases.
    with_bus = [
        g for g in measured.values() if g.power.bus_voltage is not None or g.power.bus_current is not None
    ]
    power = (with_bus or [main])[0].power
    withheld = {key: why for key, why in withheld.items() if not key.startswith("power.")}
    withheld |= {f"power.{key}": why for key, why in power.withheld.items()}
    result: dict[str, Any] = {
        "channels": channels,
        "three_phase": None if main.three_phase is None else _facts(main.three_phase),
        "vector": None if main.vector is None else _facts(main.vector),
        "pwm": None if main.pwm is None else _facts(main.pwm),
        "power": _facts(power),
        "speed": _facts(main.speed)
        | _direction(analysis, main)
        | {"u_excludes": [] if _rate_is_fitted(analysis, lead) else ["rate"]},
        "temperatures": temperatures,
        "machine": machine_facts(analysis, measured, lead, power, span_s),
        "withheld": withheld,
    }
    if main.three_phase_by_place:
        result["three_phase_by_place"] = {place: _facts(t) for place, t in main.three_phase_by_place.items()}
    return result


def _direction(analysis: RunAnalysis, main: GroupMeasures) -> dict[str, Any]:
    """Tell which way it turns, against the bench file's word, and what turns so: shaft or field."""
    motor = analysis.bench.motor
    sequence = None if main.three_phase is None else main.three_phase.sequence
    stated = None if motor is None else motor.sequence
    known = sequence is not None and stated is not None
    return {
        "direction": ("forward" if sequence == stated else "backward") if known else None,
        "of": "field" if motor is not None and motor.kind == "induction" else "shaft",
    }


def _rate_is_fitted(analysis: RunAnalysis, group: int) -> bool:
    first, _ = analysis.run.extent(group)
    return analysis.fitted_rate_hz(group, analysis.rate_at(group, first)) is not None


def _facts(figures: Any) -> dict[str, Any]:
    """Write a dataclass of figures as JSON: estimates become objects, reasons stay beside."""
    return {field.name: _plain(getattr(figures, field.name)) for field in fields(figures)}


def _plain(value: Any) -> Any:
    if isinstance(value, Estimate):
        return value.as_json()
    if is_dataclass(value) and not isinstance(value, type):
        return _facts(value)
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return value

"""What the machine does, by its currents and the bench file: torque, copper loss, efficiency."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.bench import Motor, Tolerance
from livesense.bench.motor import SPEED_UNITS, TORQUE_UNITS
from livesense.bench.state_words import meaning
from livesense.measures.channel_figures import ChannelMeasures
from livesense.measures.group import GroupMeasures
from livesense.measures.machine import COPPER_K, copper_at, copper_loss, torque_per_peak_ampere
from livesense.measures.power import Power
from livesense.measures.three_phase import ThreePhase
from livesense.samples import Estimate
from livesense.states_seen import states_seen

ASSUMES = "all current across the magnets (i_d = 0); elsewhere it is the most that the torque can be"
KEYS = ("torque", "winding_c", "copper_loss", "shaft_power", "efficiency")


def machine_facts(
    analysis: RunAnalysis,
    measured: Mapping[int, GroupMeasures],
    lead: int,
    power: Power,
    span_s: tuple[float, float],
) -> dict[str, Any] | None:
    """Tell the machine's figures of a window, None without [motor]; keys as in docs/scripting.md."""
    motor = analysis.bench.motor
    if motor is None:
        return None
    withheld: dict[str, str] = {}
    excludes: list[str] = []
    main = measured[lead]
    found: dict[str, Estimate | None] = dict.fromkeys(KEYS)
    found["torque"] = _torque(motor, main.three_phase, withheld, excludes)
    winding = _winding(analysis, motor, span_s)
    found["winding_c"] = winding
    if winding is None:
        withheld["winding_c"] = "no winding_temperature in [motor]"
    found["copper_loss"] = _copper(analysis, motor, main, winding, withheld, excludes)
    channels = {name: c for group in measured.values() for name, c in group.channels.items()}
    found["shaft_power"] = _shaft(analysis, motor, channels, main, withheld)
    found["efficiency"] = _efficiency(found["shaft_power"], power, withheld)
    facts: dict[str, Any] = {key: None if value is None else value.as_json() for key, value in found.items()}
    assumes = None if found["torque"] is None else ASSUMES
    if assumes and (why := _at_most(analysis, main, span_s)):
        facts["torque"]["at_most"] = True
        assumes = f"{assumes}, and that may be so here: {why}"
    return facts | {
        "assumes": assumes,
        "u_excludes": excludes,
        "withheld": withheld,
    }


def _at_most(analysis: RunAnalysis, main: GroupMeasures, span_s: tuple[float, float]) -> str | None:
    """Tell why the drive may hold current that makes no torque; None where nothing tells of it.

    A drive that starts in open loop turns its field with more current than the load asks for. Its state tells
    so; without one, a speed that changes may be such a start.
    """
    words = [word for seen in (states_seen(analysis, *span_s) or {}).values() for word in seen]
    known = {what: word for word in reversed(words) if (what := meaning(word)) is not None}
    for what in ("start", "align"):
        if what in known:
            return f'the drive says "{known[what]}"'
    if "run" not in known and "braking" not in known and main.speed.acceleration_hz_per_s is not None:
        return "the speed changes, as while a drive starts in open loop"
    return None


def torque_constant(motor: Motor | None) -> float | None:
    """N·m per ampere of the phase current's peak; None where the bench file states none."""
    if motor is None or motor.kind != "permanent-magnet":
        return None
    return torque_per_peak_ampere(
        torque_constant=motor.torque_constant,
        voltage_constant=motor.voltage_constant,
        flux_linkage_wb=motor.flux_linkage_wb,
        pole_pairs=motor.pole_pairs,
    )


def _u(tolerance: Tolerance | None, key: str, excludes: list[str]) -> float:
    """Turn a stated limit into a standard uncertainty: rectangular, or by its coverage factor."""
    if tolerance is None:
        excludes.append(f"motor.{key}")
        return 0.0
    return tolerance.value / (tolerance.k or math.sqrt(3))


def _torque(
    motor: Motor, three: ThreePhase | None, withheld: dict[str, str], excludes: list[str]
) -> Estimate | None:
    constant = torque_constant(motor)
    if constant is None:
        withheld["torque"] = (
            "an induction machine's torque is not told by its current alone"
            if motor.kind == "induction"
            else "no torque_constant, voltage_constant or flux_linkage in [motor]"
        )
        return None
    sizes = [] if three is None else [e for e in (three.positive_rms, three.negative_rms) if e is not None]
    if not sizes:
        why = {} if three is None else three.withheld
        withheld["torque"] = why.get("positive_rms", "not every phase's current is measured")
        return None
    current = max(sizes, key=lambda e: e.value)
    per_rms = math.sqrt(2) * constant
    value = per_rms * current.value
    relative = _u(motor.constant_tolerance, "constant_tolerance", excludes)
    systematic = math.hypot(per_rms * current.u_systematic, value * relative)
    return Estimate(value, per_rms * current.u_random, systematic, "N·m")


def _winding(analysis: RunAnalysis, motor: Motor, span_s: tuple[float, float]) -> Estimate | None:
    if not isinstance(motor.winding, str):
        return None if motor.winding is None else Estimate(motor.winding, unit="°C")
    channel = analysis.chain.channels[motor.winding]
    # A slow group may have no scan within a short window: the nearest second around it will do.
    for around_s in (0.0, 1.0):
        windows = analysis.window(span_s[0] - around_s, span_s[1] + around_s, [channel.name])
        known = np.concatenate([w.values[channel.name] for w in windows]) if windows else np.zeros(0)
        known = known[np.isfinite(known)]
        if known.size:
            mean = float(known.mean())
            return Estimate(mean, float(known.std()), float(channel.u_systematic(mean)), channel.unit)
    return None


def _copper(
    analysis: RunAnalysis,
    motor: Motor,
    main: GroupMeasures,
    winding: Estimate | None,
    withheld: dict[str, str],
    excludes: list[str],
) -> Estimate | None:
    if motor.resistance_ohm is None:
        withheld["copper_loss"] = "no resistance in [motor]"
        return None
    rms: list[tuple[Estimate, float]] = []
    for phase in ("U", "V", "W"):
        having = [
            c for c in analysis.channels
            if c.phase == phase and c.quantity == "current" and c.name in main.channels
        ]  # fmt: skip
        having.sort(key=lambda c: (c.place != "in-line", c.computed))
        figure = main.channels[having[0].name].rms if having else None
        if figure is None:
            withheld["copper_loss"] = f"phase {phase}: " + (
                main.channels[having[0].name].withheld.get("rms", "not known") if having else "not measured"
            )
            return None
        rms.append((figure, having[0].u_common * figure.value))
    if winding is None:
        excludes.append("motor.winding_temperature")
    at_c = motor.resistance_at_c if winding is None else winding.value
    ohm = copper_at(motor.resistance_ohm, motor.resistance_at_c, at_c)
    value = copper_loss(ohm, [r.value for r, _ in rms])
    random = 2 * ohm * math.sqrt(sum((r.value * r.u_random) ** 2 for r, _ in rms))
    own = sum((r.value**2) * max(r.u_systematic**2 - common**2, 0.0) for r, common in rms)
    shared = sum(r.value * common for r, common in rms)
    by_current = 2 * ohm * math.sqrt(own + shared**2)
    relative = _u(motor.resistance_tolerance, "resistance_tolerance", excludes)
    by_heat = 0.0 if winding is None else winding.u / (COPPER_K + at_c)
    return Estimate(value, random, math.hypot(by_current, value * relative, value * by_heat), "W")


def _shaft(
    analysis: RunAnalysis,
    motor: Motor,
    channels: Mapping[str, ChannelMeasures],
    main: GroupMeasures,
    withheld: dict[str, str],
) -> Estimate | None:
    if motor.shaft_torque is None:
        withheld["shaft_power"] = "no shaft_torque in [motor]: nothing measures the torque"
        return None
    unit = analysis.chain.channels[motor.shaft_torque].unit
    torque = _scaled(channels, motor.shaft_torque, TORQUE_UNITS[unit])
    if motor.shaft_speed is not None:
        unit = analysis.chain.channels[motor.shaft_speed].unit
        speed = _scaled(channels, motor.shaft_speed, SPEED_UNITS[unit])
        missing = motor.shaft_speed
    elif motor.kind == "induction":
        withheld["shaft_power"] = "the currents tell the synchronous speed only: no shaft_speed in [motor]"
        return None
    else:
        rpm = main.speed.rpm
        speed = None if rpm is None else _times(rpm, 2 * math.pi / 60)
        missing = "speed"
    if torque is None or speed is None:
        withheld["shaft_power"] = f"{motor.shaft_torque if torque is None else missing}: no mean is known"
        return None
    value = torque.value * speed.value
    random = math.hypot(torque.u_random * speed.value, speed.u_random * torque.value)
    systematic = math.hypot(torque.u_systematic * speed.value, speed.u_systematic * torque.value)
    return Estimate(abs(value), random, systematic, "W")


def _scaled(channels: Mapping[str, ChannelMeasures], name: str, factor: float) -> Estimate | None:
    mean = channels[name].mean if name in channels else None
    return None if mean is None else _times(mean, factor)


def _times(estimate: Estimate, factor: float) -> Estimate:
    return Estimate(estimate.value * factor, estimate.u_random * factor, estimate.u_systematic * factor)


def _efficiency(shaft: Estimate | None, power: Power, withheld: dict[str, str]) -> Estimate | None:
    if shaft is None:
        withheld["efficiency"] = withheld["shaft_power"]
        return None
    taken = power.input_power
    if taken is None or not taken.value > 0:
        withheld["efficiency"] = power.withheld.get("input_power", "the bus gives no power")
        return None
    value = shaft.value / taken.value
    random = value * math.hypot(shaft.u_random / max(shaft.value, 1e-300), taken.u_random / taken.value)
    systematic = math.hypot(shaft.u_systematic, value * taken.u_systematic) / taken.value
    u = math.hypot(random, systematic)
    if 2 * u >= value:
        withheld["efficiency"] = f"known to ± {200 * u:.2g} % only (k = 2), which is more than itself"
        return None
    return Estimate(100 * value, 100 * random, 100 * systematic, "%")

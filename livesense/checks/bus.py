"""Two things that must agree: power of the bus with the phases' currents, and two chains of one phase."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from livesense.checks.evidence import LIMIT, Evidence, Sensed
from livesense.checks.findings import SAFE, Finding, Kind, fault, note, warning
from livesense.checks.fixes import Rescaled, rescaled, reverse
from livesense.checks.looks import Look, Motion
from livesense.checks.words import amount

BUS_OVER_PHASE = 3 * 2 / math.pi / math.sqrt(2)
"""Most of the bus current over the phases' rms current: each phase gives at most V · I, and no leg's
fundamental is above 2/π of the bus voltage (six-step; Fourier series of the 180° square wave)."""

IDLE_SHARE = 0.3
"""Of the rated current: what beside the motor may draw from the bus (common practice, no source)."""

BUS_VOLTAGE_OFF = 0.3
"""Batteries and mains vary by less (common practice, no source)."""

EN_LIMIT = 1.0


def bus_power(evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]) -> list[Finding]:
    """Hold the bus current against the phases' currents and the copper that they warm."""
    i, v = evidence.bus("current"), evidence.bus("voltage")
    found = _nominal_voltage(evidence, v, looks) if v is not None else []
    if i is None or i.settings.sampled_at in ("low-on", "high-on"):
        return found
    for one in looks:
        if one.motion is Motion.STEADY and i.name in one.seen:
            finding = _balance(evidence, one, i, v, left_out)
            if finding is not None:
                return [*found, finding]
    return found


def _phase_rms(evidence: Evidence, one: Look, left_out: Mapping[str, Finding]) -> tuple[float, float] | None:
    """Mean of the phases' rms values and its relative uncertainty; None where fewer than two tell."""
    for place in evidence.places().values():
        alive = [c for c in place.values() if c.measured and c.name in one.seen and c.name not in left_out]
        if len(alive) >= 2:
            sizes = [abs(one.seen[c.name].phasor) for c in alive]
            spread = [one.seen[c.name].spread for c in alive]
            return float(np.mean(np.maximum(sizes, spread))), max(c.u_scale for c in alive)
    return None


def _balance(
    evidence: Evidence, one: Look, i: Sensed, v: Sensed | None, left_out: Mapping[str, Finding]
) -> Finding | None:
    phases = _phase_rms(evidence, one, left_out)
    if phases is None:
        return None
    rms, u_rms = phases
    mean = one.seen[i.name].mean
    u_mean = math.hypot(i.u_zero, i.u_scale * mean, one.seen[i.name].u_mean)
    volts = one.seen[v.name].mean if v is not None and v.name in one.seen else None
    ohm = _least_resistance(evidence)
    rated = (evidence.rated_peak or 0.0) / math.sqrt(2)
    most = BUS_OVER_PHASE * rms * (1 + LIMIT * u_rms) + IDLE_SHARE * rated
    if mean - LIMIT * u_mean > most:
        return warning(
            Kind.BUS,
            i.name,
            f"The bus delivers {amount(mean, i)}, and {amount(rms, i)} rms in the phases cannot take more "
            f"than "
            f"{amount(most, i)}: {i.name} reads too much, or all phases too little.",
            f"Check gain and shunt of {i.name} against the parts.",
            bus=mean,
            most=most,
        )
    loss = 3 * rms**2 * ohm
    if volts is not None and volts > 0 and mean + LIMIT * u_mean < loss / volts:
        if mean < -LIMIT * u_mean and mean < -0.02 * rms:
            return fault(
                Kind.REVERSED,
                i.name,
                f"{i.name} reads {amount(mean, i)} ({significant_w(mean * volts)}) while the phases carry "
                f"{amount(rms, i)} rms: "
                "it is reversed, unless the machine generates.",
                reverse(i),
                bus=mean,
            )
        return warning(
            Kind.BUS,
            i.name,
            f"The bus delivers {significant_w(mean * volts)}, and the phases' currents warm "
            f"{significant_w(loss)} of copper "
            f"and shunts alone: {i.name} or {v.name if v else 'the bus voltage'} reads too little, or the "
            f"phases too much.",
            f"Check gain and shunt of {i.name} against the parts.",
            power_w=mean * volts,
            loss_w=loss,
        )
    return None


def significant_w(value: float) -> str:
    """Write a power."""
    return f"{value:.3g} W".replace("-", "\u2212")


def _least_resistance(evidence: Evidence) -> float:
    """Least resistance of one phase that is known: the winding's where it is stated, else the shunt's."""
    motor = evidence.bench.motor
    stated = None if motor is None else motor.resistance_ohm
    shunts = [
        c.settings.shunt_ohm or 0.0
        for c in evidence.channels.values()
        if c.is_phase_current and c.chain.place == "in-line"
    ]
    return float(stated or 0.0) + min(shunts, default=0.0)


def _nominal_voltage(evidence: Evidence, v: Sensed, looks: Sequence[Look]) -> list[Finding]:
    """Hold the bus voltage against its nominal value, while the drive works."""
    nominal = evidence.bench.conditions.bus_voltage_v
    if nominal is None or not v.measured:
        return []
    for one in looks:
        if one.motion is not Motion.STEADY or v.name not in one.seen:
            continue
        seen = one.seen[v.name].mean
        if abs(seen / nominal - 1) > BUS_VOLTAGE_OFF + LIMIT * v.u_scale:
            made = (
                rescaled(v, seen / nominal, BUS_VOLTAGE_OFF / 3)
                if seen > 0
                else Rescaled("Check its wiring.", "it should be positive")
            )
            text = (
                f"{v.name} reads {amount(seen, v)} while the drive works, and the bus is stated as "
                f"{amount(nominal, v)}: {made.why}, "
                "or bus_voltage in [bench] is not what feeds it."
            )
            return [fault(Kind.SCALE, v.name, text, made.fix, factor=seen / nominal)]
    return []


def bus_ripple(evidence: Evidence, looks: Sequence[Look]) -> list[Finding]:
    """Where a loop hides what its sensors do, the bus shows it: offsets at 1 ×, gains at 2 × the line."""
    i = evidence.bus("current")
    phases = [c for c in evidence.channels.values() if c.is_phase_current]
    if (
        i is None
        or not any(c.settings.in_loop for c in phases)
        or i.settings.sampled_at in ("low-on", "high-on")
    ):
        return []
    for one in looks:
        if one.fit is None or i.name not in one.columns or one.fit.orders < 2:
            continue
        column = one.columns.index(i.name)
        mean, amplitude = one.seen[i.name].mean, one.fit.amplitude[column]
        peak = math.sqrt(2) * float(
            np.mean([abs(one.seen[c.name].phasor) for c in phases if c.name in one.seen])
        )
        if mean <= LIMIT * i.u_zero or not peak:
            continue
        own = max(c.u_own for c in phases)
        # The power of P with N is 3/2 · V · (I + N cos 2wt): its ripple over its mean is about N / P, and a
        # gain that is off by e makes N / P = e / 3. A direct current of d makes about d / I at 1 ×.
        allowed = (LIMIT * max(c.u_zero for c in phases) / peak, LIMIT * own + 0.06)
        for order, limit, kind, what in (
            (1, allowed[0] + 0.06, Kind.ZERO_OFF, "a zero of a phase current that is off"),
            (2, allowed[1], Kind.SCALE, "a gain of a phase current that is off"),
        ):
            share = float(amplitude[order - 1]) / mean
            if share > limit and amplitude[order - 1] > 6 * float(one.fit.u_amplitude[column, order - 1]):
                return [
                    note(
                        kind,
                        None,
                        f"The bus current ripples by {100 * share:.2g} % at {order} × the electrical "
                        f"frequency: {what} in the "
                        "drive's loop does that, and so does a machine that is not symmetrical.",
                        "Check zeros at rest and scales with a known current.",
                        ripple_percent=100 * share,
                    )
                ]
    return []


# Two chains of one phase


def pairs(evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]) -> list[Finding]:
    """Compare chains of one phase that are sampled at matching instants, by their En ratio."""
    by_phase: dict[str, list[Sensed]] = {}
    judged: set[str] = set()
    for place in evidence.places().values():
        for phase, c in place.items():
            by_phase.setdefault(phase, []).append(c)
        if sum(c.measured for c in place.values()) >= 2:
            judged |= {c.name for c in place.values()}
    found = []
    for phase, channels in by_phase.items():
        first = channels[0]
        for second in channels[1:]:
            if not (first.measured and second.measured) or first.name in left_out or second.name in left_out:
                continue
            if {first.settings.sampled_at, second.settings.sampled_at} == {"low-on", "high-on"}:
                continue
            finding = _pair(phase, first, second, looks)
            if finding is not None:
                found.append(finding)
                if second.name not in judged and (turned := _turned(first, second, looks)) is not None:
                    found.append(turned)
    return found


def en_ratio(one: Look, a: Sensed, b: Sensed) -> tuple[float, str]:
    """En of fundamentals (where there is a line) and of means, the larger one, and what differs.

    En = |difference| / √(U² + U²) with U at k = 2 (ISO/IEC 17043, from memory): 1 is the limit.
    """
    x, y = one.seen[a.name], one.seen[b.name]
    mean_u = math.hypot(a.u_zero, b.u_zero, a.u_own * x.mean, b.u_own * y.mean, x.u_mean, y.u_mean)
    worst, what = abs(x.mean - y.mean) / (2 * mean_u), "mean"
    if one.motion is Motion.STEADY:
        size = max(abs(x.phasor), abs(y.phasor))
        angle = math.hypot(a.u_angle(one.frequency_hz), b.u_angle(one.frequency_hz), 0.003)
        bend = 1.3 * math.hypot(a.chain.u_bow, b.chain.u_bow)
        u = math.hypot(a.u_own * size, b.u_own * size, angle * size, bend, x.u_phasor, y.u_phasor)
        by_wave = abs(x.phasor - y.phasor) / (2 * u)
        if by_wave > worst:
            worst, what = by_wave, "fundamental"
    return worst, what


def _turned(a: Sensed, b: Sensed, looks: Sequence[Look]) -> Finding | None:
    """Say that a second chain reads minus the first, which no other chain of its place can tell."""
    for one in looks:
        if one.motion is not Motion.STEADY or a.name not in one.seen or b.name not in one.seen:
            continue
        x, y = one.seen[a.name].phasor, one.seen[b.name].phasor
        if abs(x + y) < 0.2 * abs(x):
            text = f"{b.name} reads {100 * abs(y / x):.3g} % of {a.name}, turned by 180°."
            return fault(Kind.REVERSED, b.name, text, reverse(b), share_percent=100 * abs(y / x))
    return None


def _pair(phase: str, a: Sensed, b: Sensed, looks: Sequence[Look]) -> Finding | None:
    judged = [
        (*en_ratio(one, a, b), one)
        for one in looks
        if one.motion is not Motion.MOVING and a.name in one.seen and b.name in one.seen
    ]
    if not judged:
        return None
    worst, what, one = max(judged, key=lambda item: item[0])
    if worst <= EN_LIMIT * LIMIT / 2:
        return None
    x, y = one.seen[a.name], one.seen[b.name]
    if what == "mean":
        shown = f"{amount(x.mean, a)} and {amount(y.mean, b)} on average"
    else:
        ratio = y.phasor / x.phasor if x.phasor else math.nan
        apart = math.degrees(np.angle(ratio))
        shown = f"{amount(abs(x.phasor), a)} and {amount(abs(y.phasor), b)} rms, {apart:.3g}° apart"
    return warning(
        Kind.PAIR,
        b.name,
        f"{a.name} and {b.name} both read phase {phase} and differ: {shown} (En {worst:.3g}; 1 is what "
        f"their stated errors allow).",
        SAFE
        + f"check shunt and gain of {b.name} and {a.name} against the parts; a known current through the "
        "phase tells which.",
        en=worst,
    )

"""Which channel is reversed, mis-scaled, late or slow: the simplest explanation of three phasors.

Every explanation (signs, and up to two channels with a free gain, angle or low-pass) is fitted to the phasors
of a steady stretch by least squares, with the stated uncertainties as prior knowledge. The one whose weighted
sum of squares plus a charge for each thing that it supposes is least is told; a healthy bench supposes none.
"""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from livesense.chain.budget import Acts
from livesense.checks.evidence import LIMIT, PHASES, Evidence, Sensed
from livesense.checks.findings import Edit, Finding, Kind, fault, warning
from livesense.checks.fixes import bandwidth, rescaled, retimed, reverse, usual
from livesense.checks.kirchhoff import BALANCE, Prior, covariance, gls, sequence_of
from livesense.checks.looks import Look, Motion
from livesense.measures.kernel import ComplexArray
from livesense.wording import fixed

CHARGE = {"scale": 14.0, "skew": 14.0, "bandwidth": 14.5, "stagger": 14.0}
UNUSUAL, PER_FOLD = 1.5, 0.5
"""Of factors that explain alike those are preferred that other parts would make, and the smaller ones."""
SIGN_CHARGE = 10.0
UNBALANCE_CHARGE = 20.0
"""What a supposition must gain in the weighted sum of squares. Of pure chance 14 is gained by one free
parameter once in 5000 times (chi-square, one degree of freedom)."""

FREE_BALANCE = 0.3
"""N / P where the currents may be unbalanced as they like: a loop that is fed by these sensors makes what
is read look balanced, so that balance tells nothing."""

UNLIKELY = 8.0
UNLIKELY_SCANS = 3.0
UNLIKELY_HZ = 20.0
"""A channel late by more scans than a few, or a filter as low as this, is charged more."""

SMALLEST_LAG = 1e-4
STEPS = 6
SETTLED = 1e-3

SEEN = 12.0
"""Phasors are compared from so many times their random uncertainty."""

ROUGH_GAIN, ROUGH_ANGLE = 0.02, 0.05
"""What a changing frequency may do to phasors that stand for a whole run-up."""

TELLS = 0.03
"""Part of a harmonic that gains and angles of healthy channels may leave in the others' sum."""

SPOILT_GAIN, SPOILT_ANGLE = 0.3, 0.1
"""What clipping may do to a fundamental."""


@dataclass(frozen=True, slots=True)
class Supposed:
    """One thing that an explanation supposes of one channel, with its value once fitted.

    ``kind`` is ``scale`` (reading over truth), ``skew`` (radians that it leads by) or ``bandwidth``
    (frequency over the corner's).
    """

    kind: str
    channel: int
    value: float = 0.0
    u: float = 0.0
    against: str = ""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Signs of the channels, what is supposed beside, and how badly it fits with its charges."""

    signs: tuple[int, ...]
    supposed: tuple[Supposed, ...]
    cost: float
    unbalanced: bool = False


@dataclass(frozen=True)
class Verdict:
    """The best explanation of one place's phases, of the stretch that tells most."""

    channels: tuple[Sensed, ...]
    look: Look
    best: Explanation
    healthy: float
    direction: int


def prior_of(look: Look, channels: Sequence[Sensed], balance: float, flat: Container[str] = ()) -> Prior:
    """Gather what is known of channels at this line."""
    gain, angle, noise = [], [], []
    for c in channels:
        seen = look.seen[c.name]
        size = max(abs(seen.phasor), 1e-300)
        bend = 4 / math.pi / math.sqrt(2) * c.chain.u_bow * math.sqrt(3) / size
        size_by_filter, _ = c.chain.u_correction(look.frequency_hz)
        spoilt = bool(look.stretch.clipped[c.name].mean() > 1e-3) or c.name in flat
        rough = look.fit is None
        gain.append(math.hypot(c.u_own, bend, size_by_filter, SPOILT_GAIN * spoilt, ROUGH_GAIN * rough))
        angle.append(
            math.hypot(c.u_angle(look.frequency_hz), 0.002, SPOILT_ANGLE * spoilt, ROUGH_ANGLE * rough)
        )
        rounding = c.lsb / math.sqrt(12) / math.sqrt(max(2.0, look.stretch.rate_hz / look.frequency_hz))
        noise.append(math.hypot(seen.u_phasor, rounding, _alternating(c)))
    phase = tuple(PHASES.index(str(c.phase)) for c in channels)
    order = sorted(channels, key=lambda c: c.position or 0)
    rank = tuple(order.index(c) for c in channels)
    return Prior(phase, np.array(gain), np.array(angle), np.array(noise), balance, rank)


def _alternating(c: Sensed) -> float:
    """Take what the budget has for errors that alternate with the currents, rms."""
    return c.chain.budget.total(Acts.ALTERNATING)


def verdicts(
    evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding], flat: Container[str] = ()
) -> list[Verdict]:
    """Judge the phases of each place, by the stretch in which most speaks against a healthy bench.

    Parameters
    ----------
    left_out
        Channels that say nothing.
    flat
        Channels whose waves are cut, so that size and angle tell little.
    """
    steady = [one for one in looks if one.motion is Motion.STEADY]
    # A run-up tells signs and sizes, if there is nothing better.
    used = steady or [one for one in looks if one.motion is Motion.MOVING and one.frequency_hz]
    found = []
    for place in evidence.places().values():
        alive = tuple(
            place[p] for p in PHASES if p in place and place[p].measured and place[p].name not in left_out
        )
        opened = any(
            c.name in left_out and left_out[c.name].kind is Kind.MISSING_PHASE for c in place.values()
        )
        if len(alive) < 2 or opened:
            # The two lines that are left carry one current: nothing turns.
            continue
        judged = [v for one in used if (v := _judge(one, alive, flat)) is not None]
        if judged:
            found.append(max(judged, key=lambda v: v.healthy - v.best.cost))
    return found


def _judge(one: Look, channels: tuple[Sensed, ...], flat: Container[str]) -> Verdict | None:
    if any(c.name not in one.seen for c in channels):
        return None
    phasors = np.array([one.seen[c.name].phasor for c in channels])
    balance = FREE_BALANCE if any(c.settings.in_loop for c in channels) else BALANCE
    prior = prior_of(one, channels, balance, flat)
    if np.min(np.abs(phasors)) < SEEN * float(np.max(prior.noise)):
        return None
    options = _explanations(len(channels))
    nothing = _fit(options[0], phasors, prior, one, channels)
    best = nothing
    if nothing.cost > SIGN_CHARGE:
        best = min((_fit(e, phasors, prior, one, channels) for e in options), key=lambda e: e.cost)
        best = replace(best, supposed=tuple(_late_or_slow(one, channels, best, s) for s in best.supposed))
    signed = phasors * np.array(best.signs)
    return Verdict(channels, one, best, nothing.cost, sequence_of(signed, prior.phase))


def _late_or_slow(one: Look, channels: Sequence[Sensed], best: Explanation, s: Supposed) -> Supposed:
    """Tell a channel that is sampled early from one that is filtered: at one frequency both lag.

    What the other two leave for this channel by Kirchhoff's law at the line's harmonics tells: a time turns
    them by as many times the angle, a low-pass makes them smaller too. Where there are none to be seen, a lag
    of one channel alone is taken for a filter.
    """
    if (
        s.kind in ("scale", "stagger")
        or (s.kind == "skew" and s.value >= 0)
        or one.fit is None
        or len(channels) < 3
    ):
        return s
    lag = -s.value if s.kind == "skew" else math.atan(s.value)
    stated_s = [c.settings.delay_s for c in channels]
    others_s = float(np.median([d for k, d in enumerate(stated_s) if k != s.channel]))
    if 2 * (stated_s[s.channel] - others_s) * 2 * math.pi * one.frequency_hz >= lag:
        # The file itself says that it is sampled so much later than the others, and turned it back for that.
        return replace(s, kind="skew", value=-lag)
    ratio = math.tan(min(lag, 1.5))
    columns = [one.columns.index(c.name) for c in channels]
    phasors = one.fit.phasor_rms[columns] * np.array(best.signs)[:, None]
    wanted = -(phasors.sum(axis=0) - phasors[s.channel])
    order = np.arange(1, one.fit.orders + 1)
    noise = np.linalg.norm(one.fit.u_quadrature[columns], axis=0) / math.sqrt(2)
    clear = (np.abs(wanted) > SEEN * noise) & (order > 1)
    by_time = np.abs(phasors[s.channel] - wanted * np.exp(-1j * order * lag))
    by_filter = np.abs(phasors[s.channel] - wanted / (1 + 1j * order * ratio))
    weight = clear / np.maximum(noise**2 + (TELLS * np.abs(wanted)) ** 2, 1e-300)
    late = bool(clear.any()) and float(weight @ by_time**2) < float(weight @ by_filter**2)
    if late:
        return replace(s, kind="skew", value=-lag)
    return replace(s, kind="bandwidth", value=ratio)


def _explanations(count: int) -> list[Explanation]:
    """All that are tried; the first one supposes nothing."""
    kinds = ("scale", "skew", "bandwidth")
    singles = [(Supposed(kind, k),) for kind in kinds for k in range(count)]
    doubles = [
        (Supposed(a, j), Supposed(b, k))
        for j, k in itertools.combinations(range(count), 2)
        for a in kinds
        for b in kinds
    ]
    signs = [(1,) * count] + [tuple(-1 if j == k else 1 for j in range(count)) for k in range(count)]
    if count == 2:
        # One of two reversed: which one cannot be told.
        signs, doubles = signs[:2], []
    stagger: list[tuple[Supposed, ...]] = [(Supposed("stagger", 0),)] if count == 3 else []
    stagger += [(Supposed("stagger", 0), Supposed("scale", k)) for k in range(count) if count == 3]
    supposed: list[tuple[Supposed, ...]] = [(), *singles, *doubles, *stagger]
    found = [Explanation(s, x, 0.0) for s in signs for x in supposed]
    return [*found, *(Explanation(s, (), 0.0, unbalanced=True) for s in signs)]


def _fit(
    e: Explanation, phasors: ComplexArray, prior: Prior, one: Look, channels: Sequence[Sensed]
) -> Explanation:
    cost = SIGN_CHARGE * (min(e.signs) < 0) + sum(CHARGE[s.kind] for s in e.supposed)
    if e.unbalanced:
        prior = replace(prior, balance=FREE_BALANCE)
        cost += UNBALANCE_CHARGE
    signed = phasors * np.array(e.signs)
    values = [_start(s, signed) for s in e.supposed]
    fitted, wanted = None, values
    for _ in range(STEPS):
        corrected, columns = signed.copy(), []
        for s, value in zip(e.supposed, values, strict=True):
            changes = np.zeros(len(signed), dtype=np.complex128)
            if s.kind == "stagger":
                corrected = corrected * np.exp(-1j * value * np.array(prior.rank))
                changes = 1j * np.array(prior.rank) * corrected
            else:
                corrected[s.channel], changes[s.channel] = _corrected(s, corrected[s.channel], value)
            columns.append(np.stack([changes.real, changes.imag], axis=-1).ravel())
        direction = sequence_of(corrected, prior.phase)
        factor = np.abs(corrected) / np.abs(signed)
        design, cov = covariance(corrected, replace(prior, noise=prior.noise * factor), direction)
        design = np.concatenate([design, *[c[:, None] for c in columns]], axis=1) if columns else design
        y = np.stack([corrected.real, corrected.imag], axis=-1).ravel()
        fitted = gls(y, design, cov)
        if not columns:
            break
        wanted = [v + float(x) for v, x in zip(values, fitted.values[2:], strict=True)]
        values = [_step(s, v, w - v) for s, v, w in zip(e.supposed, values, wanted, strict=True)]
    assert fitted is not None
    if e.supposed and max(abs(w - v) for w, v in zip(wanted, values, strict=True)) > SETTLED:
        # What would fit lies where no channel can be: a negative scale, a low-pass that leads.
        cost = math.inf
    supposed = tuple(
        replace(s, value=_reading(s, v), u=float(u))
        for s, v, u in zip(e.supposed, values, fitted.u[2:], strict=True)
    )
    cost += fitted.chi2 + sum(_unlikely(s, one, channels[s.channel]) for s in supposed)
    return replace(e, supposed=supposed, cost=cost)


def _start(s: Supposed, m: ComplexArray) -> float:
    """Where the fit of a supposition starts: by the other channels."""
    others = [k for k in range(len(m)) if k != s.channel]
    if s.kind == "scale":
        return float(np.median(np.abs(m[others])) / abs(m[s.channel]))
    if len(others) < 2 or s.kind == "stagger":
        return 0.0
    lead = cmath.phase(complex(m[s.channel] / -np.sum(m[others])))
    if s.kind == "skew":
        return lead
    return min(5.0, math.tan(min(-lead, 1.3))) if lead < 0 else 0.05


def _corrected(s: Supposed, m: complex, value: float) -> tuple[complex, complex]:
    """Phasor with a supposition undone, and what the readings change by per unit of it, other side."""
    if s.kind == "scale":
        return m * value, -m
    if s.kind == "skew":
        turned = m * cmath.exp(-1j * value)
        return turned, 1j * turned
    return m * (1 + 1j * value), -1j * m


def _step(s: Supposed, value: float, step: float) -> float:
    if s.kind == "scale":
        return max(0.02, value + max(-0.5 * value, step))
    if s.kind in ("skew", "stagger"):
        return value + max(-0.5, min(0.5, step))
    return max(SMALLEST_LAG, value + max(-0.7, min(0.7, step)))


def _reading(s: Supposed, value: float) -> float:
    return 1 / value if s.kind == "scale" else value


def _unlikely(s: Supposed, one: Look, c: Sensed) -> float:
    if s.kind == "scale":
        return UNUSUAL * (not usual(c, s.value, 2 * c.u_own)) + PER_FOLD * abs(math.log(s.value))
    if s.kind == "stagger":
        # The last one is sampled before the next scan begins.
        steps_s = 2 * abs(s.value) / (2 * math.pi * one.frequency_hz)
        return 0.0 if steps_s * one.stretch.rate_hz < 1 else math.inf
    if s.kind == "skew":
        scans = abs(s.value) / (2 * math.pi * one.frequency_hz) * one.stretch.rate_hz
        return UNLIKELY * (scans > UNLIKELY_SCANS) + UNLIKELY * (abs(s.value) > 1.0)
    if s.kind == "bandwidth":
        # A channel that leads is no low-pass.
        leads = s.value <= 2 * SMALLEST_LAG
        return UNLIKELY * (one.frequency_hz / s.value < UNLIKELY_HZ) + (math.inf if leads else 0.0)
    return 0.0


# What is said


def wiring(evidence: Evidence, judged: Sequence[Verdict]) -> list[Finding]:
    """Say what the verdicts found."""
    found: list[Finding] = []
    for verdict in judged:
        if verdict.best.cost >= verdict.healthy or (verdict.best.unbalanced and min(verdict.best.signs) > 0):
            continue
        if min(verdict.best.signs) < 0:
            found.append(_reversed(verdict))
        for s in verdict.best.supposed:
            for each in _each(verdict, s):
                if _matters(verdict, each):
                    found.append(_supposition(verdict, each))
    return found


def _each(verdict: Verdict, s: Supposed) -> list[Supposed]:
    """Take channels that are sampled one after the other as late by one, two, … steps."""
    if s.kind != "stagger":
        return [s]
    order = sorted(verdict.channels, key=lambda c: c.position or 0)
    first = order[0] if s.value > 0 else order[-1]
    return [
        Supposed("skew", k, s.value * (order.index(c) - order.index(first)), s.u, first.name)
        for k, c in enumerate(verdict.channels)
        if c is not first
    ]


def _matters(verdict: Verdict, s: Supposed) -> bool:
    """Whether what was fitted lies outside what the channel's own tolerances allow."""
    c = verdict.channels[s.channel]
    if s.kind == "scale":
        return abs(math.log(s.value)) > LIMIT * c.u_own
    angle = s.value if s.kind == "skew" else math.atan(s.value)
    return abs(angle) > LIMIT * c.u_angle(verdict.look.frequency_hz)


def _reversed(verdict: Verdict) -> Finding:
    channels, signs = verdict.channels, verdict.best.signs
    name = [c.name for c, s in zip(channels, signs, strict=True) if s < 0]
    if len(channels) == 2:
        names = " or ".join(c.name for c in channels)
        return fault(
            Kind.REVERSED,
            None,
            f"{channels[0].name} and {channels[1].name} are 60° apart where two phases of three are 120° "
            f"apart: "
            f"{names} is reversed, and two sensors do not tell which.",
            "Turn plus_input of one of them; a known direct current through one phase tells which.",
        )
    c = next(c for c in channels if c.name == name[0])
    others = " and ".join(o.name for o in channels if o.name != c.name)
    total = abs(sum(verdict.look.seen[o.name].phasor for o in channels))
    mean = float(np.mean([abs(verdict.look.seen[o.name].phasor) for o in channels]))
    return fault(
        Kind.REVERSED,
        c.name,
        f"{c.name} has the wrong sign: the three currents add up to {total / mean:.2g} times one of them, "
        f"and to nothing "
        f"with {c.name} turned round. {others} both reversed would look the same.",
        reverse(c),
        sum_over_phase=total / mean,
    )


def _supposition(verdict: Verdict, s: Supposed) -> Finding:
    c = verdict.channels[s.channel]
    others = s.against or " and ".join(o.name for o in verdict.channels if o is not c)
    frequency = verdict.look.frequency_hz
    whole = len(verdict.channels) == 3
    name = c.name if whole else None
    if s.kind == "scale":
        return _scale(verdict, c, others, s, name)
    if s.kind == "skew":
        delay_s = s.value / (2 * math.pi * frequency)
        degrees = math.degrees(s.value)
        side = "leads" if degrees > 0 else "lags"
        when = "after" if delay_s > 0 else "before"
        return warning(
            Kind.SKEW,
            name,
            f"{c.name} {side} its place among the phases by {abs(degrees):.3g}° at {frequency:.4g} Hz: it "
            f"looks sampled "
            f"{abs(delay_s) * 1e6:.3g} µs {when} {others}.",
            retimed(c, delay_s),
            delay_us=delay_s * 1e6,
            angle_deg=degrees,
        )
    corner = frequency / s.value
    r = s.value
    return warning(
        Kind.BANDWIDTH,
        name,
        f"{c.name} lags by {math.degrees(math.atan(r)):.3g}° and reads "
        f"{100 * (1 - 1 / math.hypot(1, r)):.2g} % too little "
        f"at {frequency:.4g} Hz: a low-pass of about {corner:.3g} Hz, or {others} sampled later.",
        bandwidth(c, corner),
        corner_hz=corner,
    )


def _scale(verdict: Verdict, c: Sensed, others: str, s: Supposed, name: str | None) -> Finding:
    percent = 100 * (s.value - 1)
    made = rescaled(c, s.value, max(s.u, c.u_own))
    fix, other = made.fix, made.other
    text = (
        f"{c.name} reads {abs(percent):.3g} % {'more' if percent > 0 else 'less'} than {others} leave for it "
        f"(within tolerance: {100 * LIMIT * c.u_own:.2g} %): {made.why}."
    )
    if c.settings.in_loop:
        text += " The drive's loop uses this sensor and hides part of it: only the sum of the three tells."
    if name is None:
        text += f" Two sensors do not tell whether it is {c.name} or {others}."
        fix = "Pass one known direct current through both phases: the sensor that does not show it is wrong."
        other = None
    return replace(fault(Kind.SCALE, name, text, fix, factor=s.value), other=other)


def swapped(evidence: Evidence, looks: Sequence[Look], judged: Sequence[Verdict]) -> list[Finding]:
    """Compare the order of the phases with the stated one; without one, each place with the first."""
    wanted = evidence.bench.motor.sequence if evidence.bench.motor is not None else None
    right = {"UVW": 1, "UWV": -1}.get(wanted or "", 0)
    found: list[Finding] = []
    for verdict in judged:
        seen = {again for one in looks if (again := _direction(one, verdict))}
        if len(seen) != 1:
            # It turned both ways: the order belongs to the motor.
            continue
        direction = next(iter(seen))
        if not right:
            right = direction
        if direction != right:
            found += _exchanged(verdict, judged, direction, wanted)
    return found


def _exchanged(
    verdict: Verdict, judged: Sequence[Verdict], direction: int, wanted: str | None
) -> list[Finding]:
    names = ", ".join(c.name for c in verdict.channels)
    order = "UVW" if direction > 0 else "UWV"
    text = f"The phases of {names} follow as {order} ({_angles(verdict)}), and "
    text += f"forward is stated as {wanted}: " if wanted else "those of the other place the other way: "
    pair = _which_pair(verdict, judged)
    if pair is not None:
        a, b = pair
        text += f"held against the other place, {a.name} and {b.name} are exchanged."
        return [
            warning(Kind.SWAPPED, one.name, text, Edit("channel", "phase", str(other.phase), one.name))
            for one, other in ((a, b), (b, a))
        ]
    text += "two of them are exchanged, at the sensors or at the motor's leads, or the motor turns backwards."
    fix = (
        "Exchange phase of two of these channels; the known-current walk tells which. Where the motor is "
        f'meant to turn this way: sequence = "{order}" in [motor].'
    )
    return [warning(Kind.SWAPPED, None, text, fix)]


def _angles(verdict: Verdict) -> str:
    first, *others = verdict.channels
    signs = dict(zip((c.name for c in verdict.channels), verdict.best.signs, strict=True))
    phasor = {c.name: verdict.look.seen[c.name].phasor * signs[c.name] for c in verdict.channels}
    return ", ".join(
        f"{c.name} at {fixed(math.degrees(cmath.phase(phasor[c.name] / phasor[first.name])), 0)}° from "
        f"{first.name}"
        for c in others
    )


def _direction(one: Look, verdict: Verdict) -> int:
    """Order of the phases in a stretch: +1, -1, or 0 where it does not tell."""
    if not one.frequency_hz or any(c.name not in one.seen for c in verdict.channels):
        return 0
    signs = np.array(verdict.best.signs)
    phasors = np.array([one.seen[c.name].phasor for c in verdict.channels]) * signs
    k = np.array([PHASES.index(str(c.phase)) for c in verdict.channels])
    a = np.exp(2j * np.pi / 3)
    forward, backward = abs(np.sum(phasors * a**k)), abs(np.sum(phasors * a**-k))
    if max(forward, backward) < SEEN * max(one.seen[c.name].u_phasor for c in verdict.channels):
        return 0
    if min(forward, backward) > 0.7 * max(forward, backward):
        return 0
    return 1 if forward > backward else -1


def _which_pair(verdict: Verdict, judged: Sequence[Verdict]) -> tuple[Sensed, Sensed] | None:
    """Channels that another place shows to be exchanged; None where no other place tells."""
    for other in judged:
        if other is verdict or len(other.channels) != 3 or len(verdict.channels) != 3:
            continue
        if any(c.name not in other.look.seen for c in (*other.channels, *verdict.channels)):
            continue
        mine = np.array([other.look.seen[c.name].phasor for c in verdict.channels]) * np.array(
            verdict.best.signs
        )
        its = np.array([other.look.seen[c.name].phasor for c in other.channels]) * np.array(other.best.signs)
        best = min(itertools.permutations(range(3)), key=lambda p: float(np.sum(np.abs(mine[list(p)] - its))))
        moved = [k for k in range(3) if best[k] != k]
        if len(moved) == 2:
            return verdict.channels[moved[0]], verdict.channels[moved[1]]
    return None

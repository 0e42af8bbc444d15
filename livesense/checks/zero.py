"""Zeros: where they lie, whether they move, and what is at the end of the range."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence

import numpy as np

from livesense.bench import Sensor
from livesense.bench.pins import reference_v, supply_v
from livesense.checks.evidence import LIMIT, Evidence, Sensed
from livesense.checks.findings import SAFE, Edit, Finding, Kind, fault, warning
from livesense.checks.fixes import reverse
from livesense.checks.looks import Look, Motion
from livesense.checks.words import amount, volts
from livesense.measures.basic import batch_u
from livesense.samples import FloatArray
from livesense.wording import in_percent

HALF_WAVE = 0.35
"""From this share of scans at one end, and almost none at the other, half of each wave is missing."""

AT_AN_END = 0.04
"""Part of the ADC's range within which a zero lies at its end."""

NEAR_SETUP = 0.015
"""Part of the ADC's reference within which a zero lies where another set-up would put it."""

FLAT_SHARE = 0.08
FLAT_MISSING = 0.04
"""A top is flat from this share of scans more than a sine has there, if so much of its height is missing."""

FEWEST_CLIPPED = 3
CLIPPED_SHARE = 2e-4
SMALL_SHARE = 0.05
"""Of the rated peak: direct current that holds or turns a rotor is more (common practice, no source)."""

TREND = 0.7
"""Share of the variance of a mean's course that a straight line must explain to be called drift."""

IDLE_SHARE = 0.3
"""Of the rated current; a drive at rest does not draw so much (common practice, no source)."""


def clipped(evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]) -> list[Finding]:
    """Tell which channels reach an end of what they read, where that is not their zero."""
    found = []
    for name, c in evidence.channels.items():
        if not c.measured or name in left_out or not math.isfinite(c.full):
            continue
        scans = count = 0
        peak = 0.0
        for one in looks:
            if name not in one.seen:
                continue
            values, at_end = one.values(name), one.at_end(name)
            # A zero at the end of the range is where nothing flows.
            at_end = at_end & (np.abs(values) > 0.05 * c.full)
            scans += len(values)
            count += int(np.count_nonzero(at_end))
            if at_end.any():
                peak = max(peak, float(np.abs(values[at_end]).max()))
        if scans and count >= max(FEWEST_CLIPPED, CLIPPED_SHARE * scans):
            percent = 100 * count / scans
            found.append(
                warning(
                    Kind.CLIPPED,
                    name,
                    f"{name} is at the end of its range ({amount(peak, c)}) in {in_percent(percent)} of the "
                    "scans: the true values are larger.",
                    _reach_more(c),
                    clipped_percent=percent,
                )
            )
    return found


def _reach_more(c: Sensed) -> str:
    if c.settings.sensor is Sensor.DIVIDER:
        return (
            f"Fit a divider of a larger ratio, then state it; or keep the voltage below {amount(c.reach, c)}."
        )
    part = "gain or shunt" if c.settings.sensor is Sensor.SHUNT else "sensor's scale"
    return (
        f"Fit a smaller {part}, then state it in the bench file; or keep the {c.chain.quantity} below "
        f"{amount(c.reach, c)}."
    )


def flat_tops(evidence: Evidence, looks: Sequence[Look], left_out: Container[str]) -> dict[str, Finding]:
    """Find waves that are cut below the stated end of the range: flat, while the other two go on."""
    found: dict[str, Finding] = {}
    for place in evidence.places().values():
        three = [c for c in place.values() if c.measured and c.name not in left_out]
        for one in looks:
            if one.motion is Motion.STEADY and len(three) == 3 and all(c.name in one.seen for c in three):
                total = np.sum([one.values(c.name) - one.seen[c.name].mean for c in three], axis=0)
                for c in three:
                    level = _flat_level(one, c, total)
                    if level is not None:
                        found.setdefault(c.name, _flat(c, level))
    return found


def _flat_level(one: Look, c: Sensed, total: FloatArray) -> float | None:
    """Level at which a wave is cut; None where it is not, or where its range ends."""
    values = one.values(c.name)
    if one.at_end(c.name).any():
        return None
    for sign in (1.0, -1.0):
        v = sign * values
        top = float(np.quantile(v, 0.999))
        width = 4 * one.seen[c.name].noise + 2 * c.lsb
        size = top - sign * float(np.median(values))
        at_top = v > top - width
        if size < 10 * width or float(at_top.mean()) < FLAT_SHARE + math.acos(1 - width / size) / math.pi:
            continue
        # What is cut off is missing in the sum of the three, there and not where the wave crosses zero.
        near_zero = np.abs(v) < 0.3 * size
        if not near_zero.any():
            continue
        around_zero = float(np.median(total[near_zero]))
        missing = -sign * (float(np.mean(total[at_top])) - around_zero)
        half_way = (v > 0.3 * top) & (v < 0.7 * top)
        by_scale = -sign * (float(np.mean(total[half_way])) - around_zero) / 0.5 if half_way.any() else 0.0
        # A scale that is wrong is missing half way up too.
        if missing > FLAT_MISSING * size and by_scale < 0.4 * missing:
            return float(np.median(values[at_top]))
    return None


def _flat(c: Sensed, level: float) -> Finding:
    return warning(
        Kind.CLIPPED,
        c.name,
        f"{c.name} is cut flat at {amount(level, c)} while the other two go on, and its range is stated to "
        f"reach {amount(c.chain.high if level > 0 else c.chain.low, c)}.",
        "Measure how far the amplifier's output and supply reach, and state swing_low, swing_high and "
        "supply.",
        level=level,
    )


def direct_reversed(
    evidence: Evidence, looks: Sequence[Look], left_out: Container[str]
) -> dict[str | None, Finding]:
    """Find a sign that is wrong by a direct current: turned round, the three add up to nothing."""
    found: dict[str | None, Finding] = {}
    for place in evidence.places().values():
        three = [c for c in place.values() if c.measured and c.name not in left_out]
        for one in looks:
            if one.motion is not Motion.STILL or len(three) < 3 or any(c.name not in one.seen for c in three):
                continue
            turned = _turned_round(one, three)
            if not turned or found:
                continue
            total = sum(one.seen[c.name].mean for c in three)
            names = " or ".join(c.name for c in turned)
            sure = len(turned) == 1
            found[turned[0].name if sure else None] = fault(
                Kind.REVERSED,
                turned[0].name if sure else None,
                f"With direct current in the phases the three add up to {amount(total, three[0])}, and to "
                f"nothing with {names} turned round.",
                reverse(turned[0]) if sure else "Turn plus_input of one of them.",
                total=total,
            )
    return found


def _sum_limit(one: Look, three: Sequence[Sensed]) -> float:
    scale = math.hypot(*(c.u_own * one.seen[c.name].mean for c in three))
    return math.hypot(*(_threshold(one, c) for c in three), LIMIT * scale)


def _turned_round(one: Look, three: Sequence[Sensed]) -> list[Sensed]:
    """Channels of which turning one alone brings the sum of direct currents to nothing."""
    means = [one.seen[c.name].mean for c in three]
    limit = _sum_limit(one, three)
    if (
        abs(sum(means)) <= limit
        or sum(abs(m) > 4 * _threshold(one, c) for m, c in zip(means, three, strict=True)) < 2
    ):
        return []
    return [
        c
        for c, m in zip(three, means, strict=True)
        if abs(sum(means) - 2 * m) <= limit and abs(m) > 2 * limit
    ]


def reference_setup(
    evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]
) -> dict[str, Finding]:
    """Find amplifiers whose zero lies where another reference would put it."""
    found: dict[str, Finding] = {}
    for name, c in evidence.channels.items():
        if name in left_out or not c.measured or c.chain.quantity != "current" or not c.lsb_v:
            continue
        for one in looks:
            if name in one.seen and name not in found:
                finding = _setup_in(evidence, one, c)
                if finding is not None:
                    found[name] = finding
    return found


def _setup_in(evidence: Evidence, one: Look, c: Sensed) -> Finding | None:
    full = reference_v(c.settings, evidence.bench.adc)
    low, high = _end_shares(one, c)
    if one.motion is not Motion.STILL and c.phase != "bus":
        if max(low, high) > HALF_WAVE and min(low, high) < 0.05 and not c.one_sided:
            return _setup(c, 0.0 if low > high else full, full, 100 * max(low, high))
    if one.motion is Motion.MOVING or (one.motion is Motion.STEADY and max(low, high) > 0.01):
        return None
    if c.phase == "bus" and one.motion is not Motion.STILL:
        return None
    shift_v = _shift_v(one.seen[c.name].mean, c)
    zero_v = c.zero_v + shift_v
    sure_v = LIMIT * c.u_zero / c.per_volt
    if abs(shift_v) < sure_v + 2 * NEAR_SETUP * full:
        return None
    if not c.one_sided and min(zero_v, full - zero_v) < AT_AN_END * full:
        if one.motion is Motion.STILL:
            return _setup(c, 0.0 if zero_v < full / 2 else full, full, None)
        return None
    if one.motion is Motion.STILL and not _others_at_rest(evidence, one, c):
        return None
    for voltage in (0.0, full / 2, full):
        if (
            abs(voltage - c.zero_v) > 2 * NEAR_SETUP * full
            and abs(zero_v - voltage) < NEAR_SETUP * full + sure_v
        ):
            return _setup(c, voltage, full, None, measured_v=zero_v)
    return None


def _others_at_rest(evidence: Evidence, one: Look, c: Sensed) -> bool:
    others = [o for o in evidence.channels.values() if o.is_phase_current and o.measured and o.name != c.name]
    return all(abs(one.seen[o.name].mean) < LIMIT * o.u_zero for o in others if o.name in one.seen)


def _end_shares(one: Look, c: Sensed) -> tuple[float, float]:
    """Shares of scans at the lower and at the upper end of the pin's voltage, noise allowed for."""
    lowest, highest = c.chain.clip_codes()
    if lowest is None or highest is None:
        return 0.0, 0.0
    codes = one.codes(c)
    slack = 4 * one.seen[c.name].noise / c.lsb + 2
    return float(np.mean(codes <= lowest + slack)), float(np.mean(codes >= highest - slack))


def _shift_v(mean: float, c: Sensed) -> float:
    """How far the pin's voltage at zero lies above the stated one."""
    return mean / (c.chain.per_code or 1.0) * c.lsb_v


def _setup(
    c: Sensed, zero_v: float, full: float, percent: float | None, measured_v: float | None = None
) -> Finding:
    supply = supply_v(c.settings, c.bench.adc)
    word = {0.0: "ground", full / 2: "mid-supply", full: "supply"}[zero_v]
    follows = abs(supply - full) < 1e-9
    seen_v = zero_v if measured_v is None else measured_v
    how = (
        f"{percent:.0f} % of the scans lie at the {'lower' if zero_v < full / 2 else 'upper'} end"
        if percent is not None
        else f"at no current its pin is at about {volts(seen_v)}, not {volts(c.zero_v)}"
    )
    if c.settings.sensor is Sensor.SHUNT:
        value = word if follows or zero_v == 0.0 else f"{zero_v:.4g} V"
        edit = Edit("channel", "reference", value, c.name)
        what = f"its reference pins look tied to {'ground' if zero_v == 0.0 else word.replace('-', ' ')}"
    else:
        edit = Edit("channel", "zero", f"{zero_v:.4g} V", c.name)
        what = "its zero is another one"
    one_way = " It then reads one direction only." if zero_v != full / 2 else ""
    return fault(Kind.REFERENCE_SETUP, c.name, f"{c.name}: {how}: {what}.{one_way}", edit, zero_v=seen_v)


def zero_off(
    evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]
) -> dict[str | None, Finding]:
    """Find zeros outside what the stated errors allow.

    At rest each channel tells. Where current flows, only the sum of the three does: direct current in the
    phases adds up to nothing.
    """
    at_rest: dict[str | None, float] = {}
    turning: dict[str | None, float] = {}
    direct: dict[str | None, float] = {}
    rested = turned = False
    for one in looks:
        for place in evidence.places().values():
            here = [c for c in place.values() if c.measured and c.name in one.seen]
            alive = [c for c in here if c.name not in left_out]
            if one.motion is Motion.MOVING:
                direct = direct | _sum_off(one, alive)
                continue
            off, is_rest = _off_in(one, alive, whole=len(alive) == 3)
            if one.motion is Motion.STEADY:
                turned = True
                turning = turning | off
            elif is_rest:
                rested = True
                at_rest = at_rest | off
            else:
                direct = direct | off
    off = at_rest if rested else turning if turned else direct
    found: dict[str | None, Finding] = {}
    for name, value in off.items():
        found[name] = _off(evidence, name, value)
    for name, value in _bus_off(evidence, looks).items():
        if name not in left_out:
            found[name] = _off(evidence, name, value)
    return found


def _threshold(one: Look, c: Sensed) -> float:
    seen = one.seen[c.name]
    return LIMIT * math.hypot(c.u_zero, seen.u_mean)


def _rated(alive: Sequence[Sensed]) -> float:
    """Peak of the rated current; 0 where it is not stated."""
    motor = alive[0].bench.motor
    return math.sqrt(2) * (motor.rated_current_a or 0.0) if motor is not None else 0.0


def _sum_off(one: Look, alive: Sequence[Sensed]) -> dict[str | None, float]:
    """Mean of the sum of three whose currents do anything, where it is beyond what scales and zeros allow."""
    if len(alive) != 3 or any(one.at_end(c.name).mean() > 1e-3 for c in alive):
        return {}
    total = np.sum([one.values(c.name) for c in alive], axis=0)
    scale = math.hypot(*(c.u_own * math.sqrt(float(np.mean(one.values(c.name) ** 2))) for c in alive))
    limit = LIMIT * math.hypot(*(c.u_zero for c in alive), scale, batch_u(total))
    mean = float(total.mean())
    return {None: mean} if abs(mean) > limit else {}


def _off_in(one: Look, alive: Sequence[Sensed], *, whole: bool) -> tuple[dict[str | None, float], bool]:
    """Offsets beyond their limits in one stretch, and whether it is one at rest."""
    beyond: dict[str | None, float] = {
        c.name: one.seen[c.name].mean for c in alive if abs(one.seen[c.name].mean) > _threshold(one, c)
    }
    still = one.motion is Motion.STILL
    if not beyond:
        return {}, still
    clipping = {c.name for c in alive if one.at_end(c.name).mean() > 1e-3}
    if whole:
        total = sum(one.seen[c.name].mean for c in alive)
        alone = len(beyond) == 1
        offset = sum(beyond.values())
        unpaired = abs(total - offset) < 0.4 * abs(total) or abs(total) > _sum_limit(one, alive) * 2 / LIMIT
        small = abs(offset) < SMALL_SHARE * _rated(alive) and abs(total) > max(
            _threshold(one, c) for c in alive
        )
        if alone and (unpaired or (still and small)):
            # A direct current in one phase would come back through the others, and be larger.
            return beyond, still
        if abs(total) <= _sum_limit(one, alive) or (still and _turned_round(one, alive)):
            return {}, False
        if clipping - beyond.keys():
            return {}, False
        if len(beyond) == 3:
            means = list(beyond.values())
            alike = max(means) - min(means) < 0.3 * abs(total)
            if alike or still:
                # A loop that is fed by these sensors makes one offset look like a third of it in each.
                return {None: total}, False
            return {n: v for n, v in beyond.items() if abs(v) > 0.3 * abs(total)}, False
        return dict(beyond), still
    if still and len(alive) == 2 and len(beyond) == 2:
        # Two sensors and a direct current: nothing tells it from two offsets.
        return {}, False
    return {n: v for n, v in beyond.items() if n not in clipping}, still and len(beyond) == 1


def _bus_off(evidence: Evidence, looks: Sequence[Look]) -> dict[str, float]:
    bus = evidence.bus("current")
    if bus is None or not bus.measured:
        return {}
    idle = IDLE_SHARE * (evidence.rated_peak or math.inf)
    phases = [c for c in evidence.channels.values() if c.is_phase_current and c.measured]
    for one in looks:
        if one.motion is not Motion.STILL or bus.name not in one.seen or not phases:
            continue
        if any(abs(one.seen[c.name].mean) > LIMIT * c.u_zero for c in phases if c.name in one.seen):
            continue
        mean, limit = one.seen[bus.name].mean, _threshold(one, bus)
        if mean < -limit or mean > max(limit, idle):
            return {bus.name: mean}
    return {}


def _off(evidence: Evidence, name: str | None, value: float) -> Finding:
    if name is None:
        c = next(c for c in evidence.channels.values() if c.is_phase_current)
        return warning(
            Kind.ZERO_OFF,
            None,
            f"The three phase currents add up to {amount(value, c)} on average, more than their zeros allow "
            f"(± {amount(LIMIT * math.sqrt(3) * c.u_zero, c)}); while current flows they do not tell which "
            f"one is off.",
            "Check once more with the drive off: then each channel shows its own zero.",
            offset=value,
            limit=LIMIT * math.sqrt(3) * c.u_zero,
        )
    c = evidence.channels[name]
    limit = LIMIT * c.u_zero
    text = (
        f"{name} reads {amount(value, c)} where it should read nothing; its stated errors allow "
        f"± {amount(limit, c)}."
    )
    return warning(Kind.ZERO_OFF, name, text, _zero_edit(c, value), offset=value, limit=limit)


def _zero_edit(c: Sensed, value: float) -> Edit | str:
    """Line that moves the zero to where it was seen."""
    if c.settings.sensor is Sensor.DIRECT:
        moved = (c.settings.zero or 0.0) + value / (c.settings.scale or 1.0)
        return Edit("channel", "zero", float(f"{moved:.6g}"), c.name)
    if not c.lsb_v:
        return SAFE + f"check the amplifier of {c.name}."
    key = "reference" if c.settings.sensor is Sensor.SHUNT else "zero"
    return Edit("channel", key, f"{c.zero_v + _shift_v(value, c):.5g} V", c.name)


def drift(evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]) -> dict[str, Finding]:
    """Find zeros that move over the time that was looked at."""
    found: dict[str, Finding] = {}
    for place in evidence.places().values():
        alive = [c for c in place.values() if c.measured and c.name not in left_out]
        if not alive:
            continue
        usable = [
            one for one in looks if one.motion is not Motion.MOVING and all(c.name in one.seen for c in alive)
        ]
        if len(alive) < 3:
            usable = [one for one in usable if one.motion is Motion.STEADY]
        course = _course(usable, alive)
        if course is None:
            continue
        times, means, random = course
        changes = {}
        for k, c in enumerate(alive):
            change, share, u = _trend(times, means[:, k], random[:, k])
            if share > TREND and abs(change) > LIMIT * math.hypot(c.u_zero, u):
                changes[c.name] = change
        if len(alive) == 3:
            total, share, u = _trend(times, means.sum(axis=1), np.linalg.norm(random, axis=1))
            scale = math.hypot(*(c.u_own * float(np.ptp(means[:, k])) for k, c in enumerate(alive)))
            # One zero that moves is enough; scales act on whatever current has changed meanwhile.
            limit = math.hypot(max(c.u_zero for c in alive), scale, u)
            if abs(total) < LIMIT * limit or share < TREND:
                continue
            changes = {n: v for n, v in changes.items() if v * total > 0 and abs(v) > 0.3 * abs(total)}
        for name, change in changes.items():
            found[name] = _drifting(evidence.channels[name], change, float(times[-1] - times[0]))
    return found


def _course(
    looks: Sequence[Look], alive: Sequence[Sensed]
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Middle times ``(p,)``, means ``(p, channels)`` of whole cycles, and their random uncertainties."""
    times, rows, random = [], [], []
    for one in looks:
        for part in one.pieces:
            times.append(one.stretch.start_s + 0.5 * (part.start + part.stop) / one.stretch.rate_hz)
            rows.append([one.seen[c.name].mean + float(one.residual(c.name)[part].mean()) for c in alive])
            random.append([one.seen[c.name].u_mean for c in alive])
    if len(rows) < 4:
        return None
    return np.array(times), np.array(rows), np.array(random)


def _trend(times: np.ndarray, values: np.ndarray, u: np.ndarray) -> tuple[float, float, float]:
    """Change from first to last time by a straight line, its share of the variance, and its uncertainty.

    Weighted by ``u`` ``(p,)``; the uncertainty is that of the scatter about the line (JCGM 100:2008, H.3).
    """
    weight = 1 / np.maximum(u, 1e-3 * float(u.max()) + 1e-300) ** 2
    weight = weight / weight.sum()
    t, v = times - weight @ times, values - weight @ values
    whole, squares = float(weight @ v**2), float(weight @ t**2)
    if whole == 0.0:
        return 0.0, 0.0, 0.0
    slope = float(weight @ (t * v)) / squares
    seconds, left = float(times[-1] - times[0]), v - slope * t
    u_slope = math.sqrt(float(weight @ left**2) / (len(t) - 2) / squares)
    return slope * seconds, slope**2 * squares / whole, u_slope * seconds


def _drifting(c: Sensed, change: float, seconds: float) -> Finding:
    limit = LIMIT * c.u_zero
    return warning(
        Kind.DRIFT,
        c.name,
        f"The zero of {c.name} moves by {amount(change, c)} within {seconds:.3g} s; its stated errors allow "
        f"± {amount(limit, c)} in all.",
        SAFE + f"look for heat, a loose sense line or leakage at the amplifier of {c.name}; check again once "
        "warm.",
        change=change,
        limit=limit,
    )

"""Verdicts on the stages of a bring-up, from numbers alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from livesense.bringup.stages import (
    ALIGN_SHARE,
    BUS_OFF_V,
    BUS_SHARE,
    MOST_UNBALANCE,
    SPEED_SHARE,
    Stage,
)
from livesense.samples import Estimate
from livesense.wording import fixed, listed, shown, significant

FAR_U = 3.0
"""A figure that should be nothing may be so many standard uncertainties of it."""
SHARE_OF_RANGE = 0.05
"""Where the bench file states no offset: so much of what a channel reads, as zeros are judged."""
LEAST_SHARE = 0.02
"""Below this share of the rated current a current counts as none."""
MOST_BUS = 1.2
"""Braking may lift the bus by a fifth before it is told (common practice, no source)."""


class Outcome(StrEnum):
    """``undecided``: something that the verdict needs is not known.

    ``not judged`` is said of a check alone: it needs a word that was left out, and the verdict does without.
    """

    PASSED = "passed"
    FAILED = "failed"
    UNDECIDED = "undecided"
    NOT_JUDGED = "not judged"


@dataclass(frozen=True, slots=True)
class Current:
    """Mean of one current over a stage.

    ``mean`` carries what its scatter and drift do; ``u_chain`` what the chain may be wrong by at it,
    offsets included. ``moves`` says what moves, None where it stands still; ``line_a`` is the peak of the
    strongest alternating part. ``offset_stated`` tells whether the bench file states offsets.
    """

    name: str
    phase: str | None
    mean: Estimate
    u_chain: float
    moves: str | None
    line_a: float
    clipped: float
    range_a: float
    u_common_mode: float
    offset_stated: bool
    u_scale: float = 0.0
    """Relative standard uncertainty of the scale: a difference of two means still has it."""


@dataclass(frozen=True, slots=True)
class Turning:
    """What is measured while it turns; None and a reason in ``withheld`` where it cannot be stood by."""

    frequency_hz: Estimate | None
    rpm: Estimate | None
    sequence: str | None
    unbalance_percent: Estimate | None
    residual_a: Estimate | None
    rms: Mapping[str, Estimate | None]
    clipped: Mapping[str, int]
    power_w: Estimate | None
    events: Sequence[str] = ()
    withheld: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Seen:
    """All that a verdict may use; ``before`` are the currents of the zero with the bus off, by name."""

    currents: tuple[Current, ...]
    bus_v: Estimate | None
    highest_bus_v: float | None
    nominal_v: float | None
    rated_a: float | None
    wanted_sequence: str | None
    turning: Turning | None = None
    before: Mapping[str, Estimate] = field(default_factory=dict)
    given: Estimate | None = None
    walked: str | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One number against what was expected of it."""

    what: str
    outcome: Outcome
    value: str
    expected: str
    text: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is said of a stage."""

    stage: Stage
    outcome: Outcome
    text: str
    checks: tuple[Check, ...]

    def as_json(self) -> dict[str, Any]:
        """Write it for the logbook and programs."""
        return {
            "stage": str(self.stage),
            "verdict": str(self.outcome),
            "text": self.text,
            "checks": [
                {
                    "what": check.what,
                    "verdict": str(check.outcome),
                    "value": check.value,
                    "expected": check.expected,
                    "text": check.text,
                }
                for check in self.checks
            ],
        }


def judge(stage: Stage, seen: Seen) -> Verdict:
    """Judge a stage by what was seen in it."""
    checks = tuple(_CHECKS[stage](seen))
    outcomes = {check.outcome for check in checks}
    if not checks:
        return Verdict(stage, Outcome.UNDECIDED, "Nothing of this stage is measured on this bench.", ())
    if Outcome.FAILED in outcomes:
        outcome = Outcome.FAILED
    else:
        outcome = Outcome.UNDECIDED if Outcome.UNDECIDED in outcomes else Outcome.PASSED
    # A stage that passes without something says so.
    kinds = (outcome, Outcome.NOT_JUDGED) if outcome is Outcome.PASSED else (outcome,)
    told = [check.text for check in checks if check.outcome in kinds and check.text]
    text = "; ".join(told or [check.text for check in checks if check.text])
    if text.split(" ")[0].rstrip(",") not in {current.name for current in seen.currents}:
        text = text[:1].upper() + text[1:]
    return Verdict(stage, outcome, f"{text}.", checks)


def _not_given(quantity: str) -> Check:
    """Say that the drive's own word of a quantity was not given, so that nothing is held against it."""
    text = f"no commanded {quantity} given: {quantity} not judged"
    return Check("commanded", Outcome.NOT_JUDGED, "not given", f"a commanded {quantity}", text)


def _written(estimate: Estimate) -> str:
    found = shown({"value": estimate.value, "u": estimate.u, "unit": estimate.unit})
    if found is None:
        return "not known"
    return f"{found.value}{f' ± {found.expanded}' if found.expanded else ''} {found.unit}".strip()


def _check(what: str, good: bool | None, value: str, expected: str, text: str) -> Check:
    outcome = Outcome.UNDECIDED if good is None else Outcome.PASSED if good else Outcome.FAILED
    return Check(what, outcome, value, expected, text)


# Zeros


def _bus_off(seen: Seen) -> list[Check]:
    if seen.bus_v is None:
        text = "the bus voltage is not measured: that it is off stands on your word"
        return [_check("bus", None, "not measured", f"below {BUS_OFF_V:g} V", text)]
    bus = seen.bus_v
    off = bus.value <= BUS_OFF_V + FAR_U * bus.u
    text = (
        f"the bus is at {_written(bus)}"
        if off
        else f"the bus is at {_written(bus)}: it is not off, or still charged"
    )
    return [_check("bus", off, _written(bus), f"below {BUS_OFF_V:g} V", text)]


def _allowed(current: Current) -> float:
    """How far a zero may lie from where the chain says, as zeros are judged when they are kept."""
    if current.offset_stated:
        return FAR_U * math.hypot(current.u_chain, current.mean.u)
    return SHARE_OF_RANGE * current.range_a


def _rests(seen: Seen) -> list[Check]:
    checks = []
    for current in seen.currents:
        allowed, value = _allowed(current), _written(current.mean)
        expected = f"0 A ± {significant(allowed, 2)} A, still"
        if current.moves is not None:
            checks.append(_check(current.name, False, value, expected, f"{current.name} {current.moves}"))
            continue
        near = abs(current.mean.value) <= allowed
        text = (
            f"{current.name} rests at {value}"
            if near
            else f"{current.name} rests at {value}, further from zero than {significant(allowed, 2)} A: "
            "current flows, or its reference is not right"
        )
        checks.append(_check(current.name, near, value, expected, text))
    return checks


def _zero_off(seen: Seen) -> list[Check]:
    return [*_bus_off(seen), *_rests(seen)]


def _walk(seen: Seen) -> list[Check]:
    if seen.walked is None:
        text = "no walk of this bench is kept: mapping, direction and scale stand on the bench file's word"
        return [_check("walk", None, "none is kept", "kept, all channels proven", text)]
    return [
        _check("walk", True, seen.walked, "kept, all channels proven", f"proven by the walk of {seen.walked}")
    ]


def _bus_on(seen: Seen) -> list[Check]:
    if seen.bus_v is None:
        return [_check("bus", None, "not measured", "on", "the bus voltage is not measured")]
    bus, nominal = seen.bus_v, seen.nominal_v
    value = _written(bus)
    if nominal is None:
        on = bus.value > BUS_OFF_V + FAR_U * bus.u
        text = f"the bus is at {value}" + ("" if on else ": it is not on")
        return [_check("bus", on or None, value, f"above {BUS_OFF_V:g} V", text)]
    near = abs(bus.value - nominal) <= BUS_SHARE * nominal + 2 * bus.u
    expected = f"{significant(nominal)} V ± {100 * BUS_SHARE:g} %"
    if bus.value <= BUS_OFF_V + FAR_U * bus.u:
        # Nothing is wrong yet: it has not been switched on.
        return [_check("bus", None, value, expected, f"the bus is at {value}: it is not on")]
    text = f"the bus is at {value}" + ("" if near else f", expected {expected}")
    return [_check("bus", near, value, expected, text)]


def _zero_on(seen: Seen) -> list[Check]:
    checks = _bus_on(seen)
    for current in seen.currents:
        before = seen.before.get(current.name)
        if current.phase == "bus":
            # What hangs on a live bus draws some.
            continue
        if current.moves is not None:
            text = f"{current.name} {current.moves}: do the gates switch, does the motor turn?"
            checks.append(_check(current.name, False, _written(current.mean), "still", text))
            continue
        if before is None:
            allowed = math.hypot(_allowed(current), FAR_U * current.u_common_mode)
            shift, against = current.mean, "its zero (no zero with the bus off is kept)"
        else:
            moved = current.mean.value - before.value
            shift = Estimate(
                moved,
                math.hypot(current.mean.u, before.u),
                current.u_scale * abs(moved),
                current.mean.unit,
            )
            stated = current.u_common_mode > 0
            room = FAR_U * current.u_common_mode if stated else 0.005 * current.range_a
            allowed, against = math.hypot(room, FAR_U * shift.u_random), "where it was with the bus off"
        near = abs(shift.value) <= allowed
        expected = f"within {significant(allowed, 2)} A of {against}"
        text = f"{current.name} moved by {_written(shift)}" if near else (
            f"{current.name} moved by {_written(shift)} from {against}, more than {significant(allowed, 2)} A"
            ": common mode, leakage, or a current that flows"
        )  # fmt: skip
        checks.append(_check(current.name, near, _written(shift), expected, text))
    return checks


# Currents


def _phases(seen: Seen) -> dict[str, Current]:
    return {c.phase: c for c in seen.currents if c.phase in ("U", "V", "W")}


def _align(seen: Seen) -> list[Check]:
    phases = _phases(seen)
    if len(phases) < 3:
        text = "fewer than three phase currents are measured"
        return [_check("vector", None, f"{len(phases)} phases", "three phases", text)]
    u, v, w = (phases[p].mean.value for p in ("U", "V", "W"))
    alpha, beta = (2 * u - v - w) / 3, (v - w) / math.sqrt(3)
    length = math.hypot(alpha, beta)
    sides = [math.hypot(c.mean.u, c.u_chain) for c in phases.values()]
    u_length = math.sqrt(2 / 3) * math.hypot(*sides) / math.sqrt(3)
    vector = Estimate(length, u_length, 0.0, "A")
    moving = [
        c for c in phases.values() if c.line_a > max(LEAST_SHARE * (seen.rated_a or 0.0), 0.25 * length)
    ]
    most = math.sqrt(2) * seen.rated_a if seen.rated_a else None
    least = max(FAR_U * u_length, LEAST_SHARE * (seen.rated_a or 0.0))
    if moving:
        text = f"{listed([c.name for c in moving])} alternate: the field is not held"
        return [
            _check(
                "still", False, f"±{significant(max(c.line_a for c in moving), 2)} A", "direct current", text
            )
        ]
    if length <= least:
        text = f"only {_written(vector)} flow: nothing is aligned yet"
        return [_check("vector", None, _written(vector), f"above {significant(least, 2)} A", text)]
    angle = math.degrees(math.atan2(beta, alpha))
    each = ", ".join(f"{c.name} {fixed(c.mean.value, 2)} A" for c in phases.values())
    checks = [
        _check(
            "vector",
            most is None or length - 2 * u_length <= most,
            _written(vector),
            "above zero" if most is None else f"at most {significant(most, 3)} A",
            f"a direct current of {_written(vector)} at {fixed(angle, 0)}° electrical ({each})",
        )
    ]
    total = Estimate(u + v + w, math.hypot(*sides), 0.0, "A")
    none = abs(total.value) <= FAR_U * total.u
    text = "the three sum to nothing" if none else (
        f"the three sum to {_written(total)}: a scale, a zero or a mapping is wrong, or current leaks"
    )  # fmt: skip
    checks.append(_check("sum", none, _written(total), f"0 A ± {significant(FAR_U * total.u, 2)} A", text))
    if seen.given is not None:
        room = ALIGN_SHARE * seen.given.value + 2 * u_length
        near = abs(length - seen.given.value) <= room
        factor = length / seen.given.value if seen.given.value else math.nan
        text = f"the drive's {significant(seen.given.value)} A are there" if near else (
            f"the drive says {significant(seen.given.value)} A, {_written(vector)} are read: "
            f"{significant(factor, 3)} times as much (amplitude or rms? "
            "the gain or the shunt of one of the two?)"
        )  # fmt: skip
        expected = f"{significant(seen.given.value)} A ± {significant(room, 2)} A"
        checks.append(_check("commanded", near, _written(vector), expected, text))
    else:
        checks.append(_not_given("current"))
    return checks


def _turns(seen: Seen) -> list[Check]:
    turning = seen.turning
    if turning is None or turning.frequency_hz is None:
        why = "" if turning is None else turning.withheld.get("frequency", "")
        text = f"no steady rotation was seen{f': {why}' if why else ''}"
        return [_check("frequency", None, "not known", "a steady frequency", text)]
    speed = turning.rpm or turning.frequency_hz
    checks = [
        _check(
            "frequency", True, _written(turning.frequency_hz), "a steady frequency",
            f"it turns at {_written(turning.frequency_hz)}" + (f", {_written(speed)}" if turning.rpm else ""),
        )
    ]  # fmt: skip
    checks += _sequence(turning, seen.wanted_sequence)
    checks += _unbalance(turning)
    over, unknown = [], []
    for name, rms in turning.rms.items():
        if rms is None:
            unknown.append(name)
        elif seen.rated_a and rms.value - 2 * rms.u > seen.rated_a:
            over.append(f"{name} {_written(rms)}")
    rms_text = ", ".join(f"{name} {_written(rms)}" for name, rms in turning.rms.items() if rms is not None)
    most = f"at most {significant(seen.rated_a)} A rms" if seen.rated_a else "known"
    if over:
        text = f"{listed(over)} rms: above the rated {significant(seen.rated_a or 0.0)} A"
        checks.append(_check("currents", False, rms_text, most, text))
    elif rms_text:
        text = f"{rms_text} rms" + (f"; {listed(unknown)} withheld" if unknown else "")
        checks.append(_check("currents", None if unknown else True, rms_text, most, text))
    cut = [name for name, count in turning.clipped.items() if count]
    if cut:
        verb = "are" if len(cut) > 1 else "is"
        text = f"{listed(cut)} {verb} clipped: the currents are larger than can be read"
        checks.append(_check("clipping", False, listed(cut), "none clipped", text))
    return checks


def _sequence(turning: Turning, wanted: str | None) -> list[Check]:
    if turning.sequence is None:
        text = "the order of the phases is not known" + _because(turning, "sequence")
        return [_check("order", None, "not known", wanted or "any", text)]
    if wanted is None:
        text = f"the phases follow as {turning.sequence} (sequence in [motor] is not stated)"
        return [_check("order", True, turning.sequence, "not stated", text)]
    right = turning.sequence == wanted
    text = f"the phases follow as {turning.sequence}" + (
        ""
        if right
        else f", expected {wanted}: it turns the other way, or two leads or channels are exchanged"
    )
    return [_check("order", right, turning.sequence, wanted, text)]


def _unbalance(turning: Turning) -> list[Check]:
    found, expected = turning.unbalance_percent, f"up to {MOST_UNBALANCE:g} %"
    if found is None:
        text = "the unbalance is withheld" + _because(turning, "unbalance_percent")
        return [_check("unbalance", None, "withheld", expected, text)]
    low, high = found.value - 2 * found.u, found.value + 2 * found.u
    good = True if high <= MOST_UNBALANCE else False if low > MOST_UNBALANCE else None
    text = f"unbalance {_written(found)}" + ("" if good else f", expected {expected}")
    return [_check("unbalance", good, _written(found), expected, text)]


def _because(turning: Turning, key: str) -> str:
    why = turning.withheld.get(key)
    return f": {why}" if why else ""


def _commanded(seen: Seen, share: float) -> list[Check]:
    if seen.turning is None:
        return []
    if seen.given is None:
        return [_not_given("speed")] if seen.turning.frequency_hz is not None else []
    found = seen.turning.rpm if seen.given.unit == "rpm" else seen.turning.frequency_hz
    expected = f"{significant(seen.given.value)} {seen.given.unit} ± {100 * share:g} %"
    if found is None:
        text = f"whether it is {expected} is not known" + (
            " (pole_pairs in [motor])" if seen.given.unit == "rpm" else ""
        )
        return [_check("commanded", None, "not known", expected, text)]
    near = abs(found.value - seen.given.value) <= share * seen.given.value + 2 * found.u
    ratio = found.value / seen.given.value if seen.given.value else math.nan
    text = "as commanded" if near else (
        f"{_written(found)} against {significant(seen.given.value)} {seen.given.unit} commanded, "
        f"{significant(ratio, 3)} times as much: pole pairs, or it has lost step"
    )  # fmt: skip
    return [_check("commanded", near, _written(found), expected, text)]


def _open_loop(seen: Seen) -> list[Check]:
    return [*_turns(seen), *_commanded(seen, SPEED_SHARE)]


def _closed_loop(seen: Seen) -> list[Check]:
    checks = _open_loop(seen)
    turning = seen.turning
    if turning is None or turning.frequency_hz is None:
        return checks
    if turning.events:
        text = f"events meanwhile: {'; '.join(turning.events[:3])}"
        checks.append(_check("events", False, str(len(turning.events)), "none", text))
    if turning.power_w is not None:
        # A motor that is driven takes power; one that gives some is braked or turned by its load.
        takes = turning.power_w.value + 2 * turning.power_w.u > 0
        text = f"{_written(turning.power_w)} out of the supply" if takes else (
            f"{_written(turning.power_w)}: it feeds back while it should drive (sign of the bus current?)"
        )  # fmt: skip
        checks.append(_check("power", takes, _written(turning.power_w), "above 0 W", text))
    return checks


def _stop(seen: Seen) -> list[Check]:
    checks = [check for check in _rests(seen) if not _is_bus(seen, check.what)]
    if seen.bus_v is None:
        return checks
    nominal, highest = seen.nominal_v, seen.highest_bus_v
    value = _written(seen.bus_v)
    if nominal is not None and highest is not None:
        most = MOST_BUS * nominal
        text = f"the bus is at {value} and stays charged: prove it dead" if highest <= most else (
            f"the bus went up to {significant(highest, 3)} V: braking charges it"
        )  # fmt: skip
        checks.append(_check("bus", highest <= most, value, f"at most {significant(most, 3)} V", text))
    return checks


def _is_bus(seen: Seen, name: str) -> bool:
    return any(c.name == name and c.phase == "bus" for c in seen.currents)


_CHECKS = {
    Stage.ZERO_OFF: _zero_off,
    Stage.WALK: _walk,
    Stage.ZERO_ON: _zero_on,
    Stage.ALIGN: _align,
    Stage.OPEN_LOOP: _open_loop,
    Stage.CLOSED_LOOP: _closed_loop,
    Stage.STOP: _stop,
}

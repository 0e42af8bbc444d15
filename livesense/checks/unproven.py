"""What these data cannot show, each with the step that would."""

from __future__ import annotations

from collections.abc import Sequence

from livesense.checks.evidence import Evidence, Sensed
from livesense.checks.looks import Look, Motion
from livesense.wording import significant

WALK_SHARE = 0.3
"""Of the rated current: enough to read well, and it turns no rotor far (common practice, no source)."""

_WALK = "Known-current walk (`livesense walk`)"


def unproven(evidence: Evidence, looks: Sequence[Look]) -> list[str]:
    """List it, the widest first."""
    phases = [c for c in evidence.channels.values() if c.is_phase_current]
    if not phases:
        return ["No channel reads a phase current: there is nothing to hold against each other."]
    turning = any(one.motion is Motion.STEADY for one in looks)
    found: list[str] = []
    if not evidence.has_data:
        found.append("No data: only the bench file was looked at. Listen to the port, or give a run.")
    elif not turning:
        found.append(
            "Signs, scales, order and timing of the phases: no steady alternating current was seen. "
            f"{_known(evidence, phases)}, or check again while the motor turns."
        )
    found.append(
        f"A scale that is wrong by one factor in all three. {_known(evidence, phases)}: the reading is "
        f"that current."
    )
    found.append(
        f"All three reversed. {_into(evidence, phases, 'U', 'V')}: {_name(phases, 'U')} must read plus, "
        f"{_name(phases, 'V')} minus."
    )
    found.append(
        f"Labels exchanged in a circle (U to V to W). {_into(evidence, phases, 'U', 'V')}: "
        f"{_name(phases, 'W')} must read nothing; "
        "then V and W."
    )
    found += _order(evidence, phases)
    found += _computed(phases)
    found += _loop(phases)
    if evidence.bus("current") is not None and turning:
        found.append(
            "A bus current that is wrong by less than the difference between the losses and what the "
            "phases can take. A clamp meter on the "
            "supply's line shows it."
        )
    motor = evidence.bench.motor
    if motor is not None and motor.pole_pairs is not None:
        found.append(
            f"The {motor.pole_pairs} pole pairs, and so the speed: no current shows them. A tachometer does, "
            "or the motor's plate."
        )
    voltage = evidence.bus("voltage")
    if voltage is not None and evidence.bench.conditions.bus_voltage_v is None:
        found.append(
            f"The scale of {voltage.name}, and so every power: state bus_voltage in [bench], or compare with "
            "a rated meter."
        )
    if evidence.has_data and not any(rate.seen is not None for rate in evidence.rates):
        found.append(
            "The scan rate: nothing here tells the time. Listen to the port, or send the board's clock as "
            "a column t_us."
        )
    return found


def _amount(evidence: Evidence) -> str:
    rated = evidence.bench.motor.rated_current_a if evidence.bench.motor is not None else None
    return f" of about {significant(WALK_SHARE * rated, 2)} A" if rated else ""


def _known(evidence: Evidence, phases: Sequence[Sensed]) -> str:
    return (
        f"{_WALK}: with the drive de-energised and its bus proven dead, pass a known direct current"
        f"{_amount(evidence)} from a current-limited supply through two motor leads"
    )


def _into(evidence: Evidence, phases: Sequence[Sensed], into: str, out: str) -> str:
    return (
        f"{_WALK}, drive de-energised and bus proven dead: pass a known direct current{_amount(evidence)} "
        f"into {into} and out of {out}"
    )


def _name(phases: Sequence[Sensed], phase: str) -> str:
    return next((c.name for c in phases if c.phase == phase), f"phase {phase}")


def _order(evidence: Evidence, phases: Sequence[Sensed]) -> list[str]:
    sequence = evidence.bench.motor.sequence if evidence.bench.motor is not None else None
    if sequence is None:
        return [
            "Exchanged sensors, exchanged motor leads or a motor that turns backwards: all three look "
            "alike, and [motor] has no "
            f"sequence to hold them against. {_into(evidence, phases, 'U', 'V')}, then into V and out of "
            f"W: each sensor must "
            "answer to its own lead."
        ]
    return [
        "Whether sensors or motor leads are exchanged: the order of the phases alone does not tell them "
        "apart. "
        f"{_into(evidence, phases, 'U', 'V')}: the sensors of these leads must answer."
    ]


def _computed(phases: Sequence[Sensed]) -> list[str]:
    made = [c for c in phases if not c.measured]
    missing = {"U", "V", "W"} - {str(c.phase) for c in phases}
    if not made and not missing:
        return []
    which = made[0].name if made else f"phase {min(missing)}"
    return [
        f"Scales against each other: {which} is not measured, so the three add up to nothing whatever the "
        f"sensors do. A known "
        "current through each sensor, or a clamp meter on the third lead, shows it."
    ]


def _loop(phases: Sequence[Sensed]) -> list[str]:
    if not any(c.settings.in_loop for c in phases):
        return []
    return [
        "Balance of the currents: the drive's own loop uses these sensors and makes what they read look "
        "balanced, so that a wrong "
        "scale or zero shows in their sum only (and as ripple of the bus current at twice or once the "
        "electrical frequency). "
        "Zeros at rest and a known current through each sensor show it."
    ]

"""What these data cannot show, each with what would."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from livesense.checks.evidence import Evidence, Sensed
from livesense.checks.looks import Look, Motion
from livesense.wording import significant

WALK_SHARE = 0.3
"""Of the rated current: enough to read well, and it turns no rotor far (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Unproven:
    """One thing that is not proven, and how it shows; ``walk`` where that is in the known-current walk."""

    what: str
    how: str
    walk: bool = False

    def __str__(self) -> str:
        """Write it as one sentence that stands by itself."""
        walk = "known-current walk (`livesense walk`, drive de-energised and bus proven dead): "
        return f"{self.what}: {walk if self.walk else ''}{self.how}."


def walk_with(evidence: Evidence) -> str:
    """Say in words what the walk takes."""
    rated = evidence.bench.motor.rated_current_a if evidence.bench.motor is not None else None
    pushed = f"about {significant(WALK_SHARE * rated, 2)} A" if rated else "a known direct current"
    return f"drive de-energised, bus proven dead, {pushed} from a current-limited supply"


def unproven(evidence: Evidence, looks: Sequence[Look]) -> list[Unproven]:
    """List it: what the walk shows first, the widest first."""
    phases = [c for c in evidence.channels.values() if c.is_phase_current]
    if not phases:
        return [Unproven("Anything of the phases", "no channel reads a phase current")]
    turning = any(one.motion is Motion.STEADY for one in looks)
    found: list[Unproven] = []
    if not evidence.has_data:
        found.append(
            Unproven("All but the bench file", "No data: only the file was looked at; listen, or give a run")
        )
    elif not turning:
        found.append(
            Unproven(
                "Signs, scales, order and timing of the phases",
                "no steady alternating current was seen; check again while the motor turns",
            )
        )
    u, v, w = (_name(phases, phase) for phase in "UVW")
    found += [
        Unproven("One wrong factor in all scales", "they must read the current that is pushed", True),
        Unproven("All three reversed", f"into U and out of V, {u} must read plus and {v} minus", True),
        Unproven("Labels exchanged in a circle", f"{w} must then read nothing; so on with V and W", True),
        _order(evidence),
        *_computed(phases),
        *_loop(phases),
    ]
    if evidence.bus("current") is not None and turning:
        found.append(
            Unproven(
                "A bus current within what losses and phases leave open", "a clamp meter on the supply's line"
            )
        )
    voltage = evidence.bus("voltage")
    if voltage is not None and evidence.bench.conditions.bus_voltage_v is None:
        found.append(
            Unproven(
                f"The scale of {voltage.name}, and so every power",
                "state bus_voltage in [bench], or compare with a rated meter",
            )
        )
    motor = evidence.bench.motor
    if motor is not None and motor.pole_pairs is not None:
        found.append(
            Unproven(
                f"The {motor.pole_pairs} pole pairs, and so the speed", "a tachometer, or the motor's plate"
            )
        )
    if evidence.has_data and not any(rate.seen is not None for rate in evidence.rates):
        found.append(
            Unproven(
                "The scan rate",
                "nothing here tells the time; listen to the port, or send the board's clock as a column t_us",
            )
        )
    return found


def _name(phases: Sequence[Sensed], phase: str) -> str:
    return next((c.name for c in phases if c.phase == phase), f"phase {phase}")


def _order(evidence: Evidence) -> Unproven:
    answer = "each sensor must answer to its own lead"
    if evidence.bench.motor is None or evidence.bench.motor.sequence is None:
        what = "Sensors or leads exchanged, or a motor that turns backwards (no sequence in [motor])"
        return Unproven(what, answer, True)
    return Unproven("Whether sensors or motor leads are exchanged", answer, True)


def _computed(phases: Sequence[Sensed]) -> list[Unproven]:
    made = [c for c in phases if not c.measured]
    missing = {"U", "V", "W"} - {str(c.phase) for c in phases}
    if not made and not missing:
        return []
    which = made[0].name if made else f"phase {min(missing)}"
    what = f"Scales against each other ({which} is not measured: the sum tells nothing)"
    return [Unproven(what, "a known current through each sensor, or a clamp meter on the third lead")]


def _loop(phases: Sequence[Sensed]) -> list[Unproven]:
    if not any(c.settings.in_loop for c in phases):
        return []
    what = "Balance (the drive's loop makes what its sensors read look balanced: only the sum tells)"
    return [Unproven(what, "zeros at rest, and a known current through each sensor")]

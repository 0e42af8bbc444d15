"""The stages of a bring-up in their order: what to do, what can hurt, what the bench file lets expect."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from livesense.bench import Bench, Channel
from livesense.wording import listed, significant


class Stage(StrEnum):
    """From no power to a motor that stands again."""

    ZERO_OFF = "zero-off"
    WALK = "walk"
    ZERO_ON = "zero-on"
    ALIGN = "align"
    OPEN_LOOP = "open-loop"
    CLOSED_LOOP = "closed-loop"
    STOP = "stop"


BUS_OFF_V = 2.0
"""A bus above this is on or still charged."""
BUS_SHARE = 0.1
"""So far from its nominal value a bus may be (common practice, no source)."""
MOST_UNBALANCE = 5.0
"""Per cent; what three like chains and windings keep well below (common practice, no source)."""
SPEED_SHARE = 0.02
ALIGN_SHARE = 0.1
"""A drive's own word of current or speed is taken to be so good (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Guide:
    """What is said of a stage; ``asks`` names the one value that can be given with it, empty for none."""

    stage: Stage
    title: str
    do: str
    caution: str
    asks: str = ""
    example: str = ""


GUIDES: tuple[Guide, ...] = (
    Guide(
        Stage.ZERO_OFF,
        "Zero, bus off",
        "Supply off, control on, nothing turns. What the channels read now is their zero.",
        "Isolate the supply, wait until the DC link is discharged, and prove it dead with a rated meter. "
        "A reading here proves nothing dead.",
    ),
    Guide(
        Stage.WALK,
        "Known-current walk",
        "A laboratory supply pushes one known current through pairs of motor leads, with the drive still "
        "dead: place, direction and scale. It has a screen of its own.",
        "Current limit set, voltage limit as low as the current allows. Motor and shunts get warm; the shaft "
        "can jerk when the current comes.",
    ),
    Guide(
        Stage.ZERO_ON,
        "Zero, bus on, gates off",
        "Switch the bus on, current-limited where you can, with the gates blocked. What the zeros do now is "
        "common mode and leakage.",
        "From here on the bus is live, and stays charged after it is switched off. Guard what can turn, "
        "hands off, a hardware stop in reach.",
    ),
    Guide(
        Stage.ALIGN,
        "Align",
        "Let the drive put a direct current on one angle and hold it. The rotor turns there and stays.",
        "The shaft jerks. Direct current heats one phase more than rotation does: keep it short and small.",
        "Current commanded (left empty: not judged)",
        "4 A",
    ),
    Guide(
        Stage.OPEN_LOOP,
        "Open loop",
        "Let the drive turn the current at a low, constant frequency, without using the rotor's angle.",
        "The rotor can lose step and shake. Stop at once at noise, smell or heat.",
        "Frequency or speed commanded (left empty: not judged)",
        "20 Hz",
    ),
    Guide(
        Stage.CLOSED_LOOP,
        "Closed loop",
        "Let the drive close its loops and hold a constant, low speed without much load.",
        "A wrong sign or angle makes it run away: limit current and speed in the drive, and keep the "
        "hardware stop in reach.",
        "Frequency or speed commanded (left empty: not judged)",
        "2940 rpm",
    ),
    Guide(
        Stage.STOP,
        "Stop",
        "Stop the drive, wait until the shaft stands, gates off.",
        "Braking can lift the bus above the supply. It stays charged: prove it dead before you touch "
        "anything.",
    ),
)

SURE = "What turns is guarded, a hardware stop is in reach, and who works here may do so"


def guide(stage: Stage) -> Guide:
    """Find what is said of a stage."""
    return next(one for one in GUIDES if one.stage is stage)


def expected(bench: Bench, stage: Stage) -> str:
    """Say what a stage should show, with the numbers of the bench file."""
    currents = [c.name for c in bench.channels if c.quantity == "current"]
    bus = next((c for c in bench.channels if (c.phase, c.quantity) == ("bus", "voltage")), None)
    motor = bench.motor
    rated = motor.rated_current_a if motor is not None else None
    match stage:
        case Stage.ZERO_OFF:
            said = [
                _bus_off(bus),
                f"{_names(currents)} stand still, within what the bench file's offsets allow",
            ]
        case Stage.WALK:
            return "each channel reads the current of its own lead, with its own sign, at its own scale."
        case Stage.ZERO_ON:
            said = [
                _bus_on(bench, bus),
                f"{_names(currents)} where they were with the bus off, but for common mode",
            ]
        case Stage.ALIGN:
            most = (
                f", at most {significant(math.sqrt(2) * rated, 3)} A (peak of the rated current)"
                if rated
                else ""
            )
            said = [f"three direct currents whose sum is zero{most}"]
        case Stage.OPEN_LOOP | Stage.CLOSED_LOOP:
            said = [_turning(bench, rated)]
            if stage is Stage.CLOSED_LOOP:
                said.append("speed within 2 % of what is commanded, no event, power out of the supply")
        case Stage.STOP:
            said = [f"{_names(currents)} back at their zeros", _bus_left(bench, bus)]
    return "; ".join(part for part in said if part) + "."


def _names(names: Sequence[str]) -> str:
    return listed(names) if names else "no current is measured, so nothing can"


def _bus_off(bus: Channel | None) -> str:
    return "no bus voltage is measured" if bus is None else f"{bus.name} below {BUS_OFF_V:g} V"


def _bus_on(bench: Bench, bus: Channel | None) -> str:
    nominal = bench.conditions.bus_voltage_v
    if bus is None:
        return "no bus voltage is measured"
    if nominal is None:
        return f"{bus.name} above {BUS_OFF_V:g} V (bus_voltage in [bench] is not stated)"
    return f"{bus.name} at {significant(nominal)} V ± {100 * BUS_SHARE:g} %"


def _bus_left(bench: Bench, bus: Channel | None) -> str:
    nominal = bench.conditions.bus_voltage_v
    if bus is None or nominal is None:
        return ""
    return f"{bus.name} at most {significant(1.2 * nominal, 3)} V"


def _turning(bench: Bench, rated: float | None) -> str:
    motor = bench.motor
    order = f"in the order {motor.sequence}" if motor is not None and motor.sequence else "in one order"
    most = f", at most {significant(rated)} A rms each" if rated else ""
    return f"three sines {order}, unbalance up to {MOST_UNBALANCE:g} %{most}, none clipped"

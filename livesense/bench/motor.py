"""The table [motor] of a bench file: what is known of the machine."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from livesense.bench import Channel, Motor
from livesense.bench.keys import MOTOR, TORQUE_OF, VOLTAGE_OF
from livesense.bench.tables import Place
from livesense.bench.values import listed

TORQUE_UNITS = {"N·m": 1.0, "Nm": 1.0, "N*m": 1.0, "mN·m": 1e-3, "mNm": 1e-3}
"""Units of a channel that measures torque, in N·m."""

SPEED_UNITS = {"rpm": 2 * math.pi / 60, "1/min": 2 * math.pi / 60, "rad/s": 1.0}
"""Units of a channel that measures speed, in rad/s."""


def read_motor(file: str, given: Mapping[str, Any]) -> Motor:
    """Read the table; at most one constant, with what it is stated of."""
    place = Place(file, "motor")
    keys = place.read(given, MOTOR)
    place.refuse_later(given, MOTOR)
    constants = [key for key in ("torque_constant", "voltage_constant", "flux_linkage") if key in keys]
    if len(constants) > 1:
        expected = f"one of {listed(constants)}: they are one fact of the machine in other words"
        place.fail(constants[1], expected, given[constants[1]])
    if constants and keys.get("kind") == "induction":
        place.fail(constants[0], "no such constant of an induction machine", given[constants[0]])
    of: dict[str, tuple[float, str]] = {}
    for key in ("torque_constant", "voltage_constant"):
        if key in keys and f"{key}_of" not in keys:
            choices = TORQUE_OF if key == "torque_constant" else VOLTAGE_OF
            place.fail(f"{key}_of", "what it is stated of: " + " or ".join(f'"{c}"' for c in choices))
        if key in keys:
            of[key] = keys[key], keys[f"{key}_of"]
        elif f"{key}_of" in keys:
            place.fail(f"{key}_of", f"{key} beside it", given[f"{key}_of"])
    if "flux_linkage" in keys and "pole_pairs" not in keys:
        place.fail("flux_linkage", "pole_pairs beside it", given["flux_linkage"])
    return Motor(
        kind=keys.get("kind", "permanent-magnet"),
        pole_pairs=keys.get("pole_pairs"),
        rated_current_a=keys.get("rated_current"),
        sequence=keys.get("sequence"),
        resistance_ohm=keys.get("resistance"),
        resistance_tolerance=keys.get("resistance_tolerance"),
        resistance_at_c=keys.get("resistance_at", 20.0),
        winding=keys.get("winding_temperature"),
        torque_constant=of.get("torque_constant"),
        voltage_constant=of.get("voltage_constant"),
        flux_linkage_wb=keys.get("flux_linkage"),
        constant_tolerance=keys.get("constant_tolerance"),
        shaft_torque=keys.get("shaft_torque"),
        shaft_speed=keys.get("shaft_speed"),
        pwm_hz=keys.get("pwm_frequency"),
    )


def check_motor_channels(file: str, motor: Motor, channels: Sequence[Channel]) -> None:
    """Refuse names of channels that are not there, or measure something else."""
    units = {channel.name: channel.unit for channel in channels}
    for key, name, fitting in (
        ("winding_temperature", motor.winding, ("°C",)),
        ("shaft_torque", motor.shaft_torque, TORQUE_UNITS),
        ("shaft_speed", motor.shaft_speed, SPEED_UNITS),
    ):
        if isinstance(name, str) and units.get(name) not in fitting:
            place = Place(file, "motor")
            place.fail(key, f"the name of a channel in {' or '.join(fitting)}", name)

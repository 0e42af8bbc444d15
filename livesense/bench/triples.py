"""Which channels stand for the three phases and for the bus where a rule names none."""

from __future__ import annotations

from collections.abc import Sequence

from livesense.bench import Channel, Sensor

PHASES = ("U", "V", "W")
_PLACES = ("in-line", "low-side", "high-side")


def phase_triple(channels: Sequence[Channel]) -> tuple[str, ...] | None:
    """Take one current of each phase, in-line before low side before high side, measured before computed.

    None where a phase has none, or where they are sampled apart.
    """
    found = []
    for phase in PHASES:
        having = [c for c in channels if c.phase == phase and c.quantity == "current"]
        if not having:
            return None
        found.append(min(having, key=lambda c: (c.sensor is Sensor.COMPUTED, _PLACES.index(c.place))))
    groups = {c.group for c in found if c.sensor is not Sensor.COMPUTED}
    return tuple(c.name for c in found) if len(groups) == 1 else None


def bus_voltage(channels: Sequence[Channel]) -> str | None:
    """Name the first voltage of the bus; None where none is measured."""
    return next((c.name for c in channels if c.phase == "bus" and c.quantity == "voltage"), None)

"""How even the three phases are, as the sentence on top says it: steady to read, and no more than is known.

The bound on the unbalance and the angle by which a phase is off its third of a turn are held for as long as
they are nearly right: a headline whose last digit flickers is not read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from livesense.wording import COVERAGE_FACTOR

LET_GO = 0.75
"""A bound is lowered once the new one is below this share of it."""
LEAST_LAG_DEG = 0.1
HELD_LAG_DEG = 0.12
"""An angle that differs by less from the one that is said is not said anew."""
IDEAL_DEG = {"UVW": {"V": -120.0, "W": 120.0}, "UWV": {"V": 120.0, "W": -120.0}}
"""Where phases are against U; a later phase is negative. Common practice: a third of a turn apart."""


@dataclass(frozen=True, slots=True)
class Evenness:
    """What the unbalance is at most, and which phase is how far from its place; positive is late."""

    at_most_percent: float | None = None
    phase: str | None = None
    late_deg: float = 0.0


def evenness(measured: Mapping[str, Any]) -> Evenness:
    """Read it from the object of ``measure``: bounds are with the expanded uncertainty (k = 2)."""
    three = measured.get("three_phase") or {}
    unbalance = three.get("unbalance_percent") or {}
    value, u = unbalance.get("value"), unbalance.get("u")
    bound = None
    if value is not None and u is not None:
        bound = math.ceil(10 * (float(value) + COVERAGE_FACTOR * float(u)) - 1e-9) / 10
    found = Evenness(bound)
    for phase, place in IDEAL_DEG.get(str(three.get("sequence")), {}).items():
        angle = (three.get("angles_deg") or {}).get(phase) or {}
        if angle.get("value") is None or angle.get("u") is None:
            continue
        late = (place - float(angle["value"]) + 180.0) % 360.0 - 180.0
        known = max(LEAST_LAG_DEG, COVERAGE_FACTOR * float(angle["u"]))
        if abs(late) > max(known, abs(found.late_deg)):
            found = Evenness(bound, phase, late)
    return found


class SteadyEvenness:
    """Holds what was said while it is nearly right."""

    def __init__(self) -> None:
        self._said = Evenness()

    def of(self, measured: Mapping[str, Any]) -> Evenness:
        """Return what to say of a measurement, given what was said of the one before."""
        new, said = evenness(measured), self._said
        bound, before = new.at_most_percent, said.at_most_percent
        if bound is not None and before is not None and LET_GO * before <= bound <= before:
            bound = before
        phase, late = new.phase, new.late_deg
        if (
            said.phase is not None
            and phase in (said.phase, None)
            and abs(late - said.late_deg) < HELD_LAG_DEG
        ):
            phase, late = said.phase, said.late_deg
        self._said = Evenness(bound, phase, late)
        return self._said

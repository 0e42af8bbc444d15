"""Steps of a walk: where the current goes in and where it comes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from livesense.errors import UsageError

LEADS = ("U", "V", "W")
USUAL = "U-V,V-W"
"""Two steps tell all three channels apart, and which way each counts."""


@dataclass(frozen=True, slots=True)
class Step:
    """The current goes into the motor at one lead and comes out at another."""

    into: str
    out_of: str

    @property
    def name(self) -> str:
        """As it is written: ``U-V``."""
        return f"{self.into}-{self.out_of}"

    def share(self, phase: str) -> int:
        """How much of the current flows into the motor through a phase: 1, -1 or 0."""
        return int(phase == self.into) - int(phase == self.out_of)


def read_steps(text: str) -> tuple[Step, ...]:
    """Read steps such as ``"U-V,V-W"``.

    Raises
    ------
    UsageError
        where one is no pair of leads, comes twice, or where a lead carries no current in any of them.
    """
    steps = []
    for part in text.upper().replace(" ", "").split(","):
        into, _, out_of = part.partition("-")
        if into not in LEADS or out_of not in LEADS or into == out_of:
            raise UsageError(
                f"expected steps such as {USUAL}: two of the leads U, V and W each, got {part!r}"
            )
        steps.append(Step(into, out_of))
    if len({step.name for step in steps}) < len(steps):
        raise UsageError(f"expected each step once, got {text!r}")
    idle = [lead for lead in LEADS if not any(step.share(lead) for step in steps)]
    if idle or len(steps) < 2:
        raise UsageError(
            f"expected at least two steps through all of U, V and W, such as {USUAL}, got {text!r}"
        )
    return tuple(steps)


def told(steps: Sequence[Step]) -> str:
    """Write steps as they are read."""
    return ",".join(step.name for step in steps)

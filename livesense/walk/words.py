"""What is said to the one who walks, at the terminal and on the page alike."""

from __future__ import annotations

from livesense.chain import Chain
from livesense.walk.judge import signed
from livesense.walk.session import Reading
from livesense.walk.steps import Step

CAUTION = """\
Before power. Take the power off the drive, let the DC link discharge and prove it dead with a rated meter;
leave the drive's control off. Use a laboratory supply with a current limit, its voltage limit as low as the
current allows, clamped at the bridge's side of the shunts. Motor and shunts get warm; the shaft can jerk
when the current comes. Work by your local codes."""

SURE = "The drive is dead, proven with a rated meter"
ASK_SURE = "Is the drive dead, proven with a rated meter?"


def instruction(step: Step | None, current: str) -> str:
    """Say what to do before a step is read; ``current`` is the one to set, as it was written."""
    if step is None:
        return "At rest: supply off, nothing flows."
    return (
        f"{step.name}: clamp the supply's + to lead {step.into} and its − to lead {step.out_of}, each at the "
        f"bridge's side of the shunt; set {current}."
    )


def seen(chain: Chain, reading: Reading, rest: Reading) -> str:
    """Say what each channel reads in a step, less what it reads at rest."""
    if reading.step is None:
        return "Rest is read."
    shown = []
    for name, found in reading.averages.items():
        per_code = chain.channels[name].per_code or 0.0
        shown.append(f"{name} {signed(per_code * (found.code - rest.averages[name].code))} A")
    return f"{reading.step.name}: {', '.join(shown)}"

"""What the words of a state channel mean: what the drive itself says it is doing."""

from __future__ import annotations

STATES = (
    ("start", ("start", "ramp", "accel", "open loop", "open-loop", "open_loop")),
    ("braking", ("stop", "brak", "decel")),
    ("align", ("align", "park")),
    ("run", ("run",)),
    ("fault", ("fault", "block", "trip", "error", "alarm")),
)
"""What a state's word means, by what is in it (common practice of firmware, no source)."""


def meaning(word: str) -> str | None:
    """Tell what a word of a state channel means; None where it says nothing that is known."""
    lower = word.lower()
    return next((what for what, parts in STATES if any(part in lower for part in parts)), None)

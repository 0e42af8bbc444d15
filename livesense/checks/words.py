"""How amounts are written in findings."""

from __future__ import annotations

from livesense.checks.evidence import Sensed
from livesense.wording import significant


def amount(value: float, channel: Sensed) -> str:
    """Write a value with its channel's unit and three digits."""
    return f"{significant(value, 3)} {channel.chain.unit}".rstrip()


def volts(value: float) -> str:
    """Write a voltage with three decimals."""
    return f"{value:.3f} V"

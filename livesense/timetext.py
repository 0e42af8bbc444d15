"""How times are written in what others read."""

from __future__ import annotations

from datetime import datetime


def iso_time(wall_s: float) -> str:
    """Write a wall time as ISO 8601 with this computer's zone."""
    return datetime.fromtimestamp(wall_s).astimezone().isoformat(timespec="milliseconds")


def run_seconds(time_s: float) -> float:
    """Round seconds of a run to a nanosecond: what is left of binary fractions says nothing."""
    return round(time_s, 9)

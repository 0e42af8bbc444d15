"""How a report words figures, instants and files."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from livesense.wording import shown, significant

MISSING = "—"


def figure(quantity: Mapping[str, Any] | None) -> str:
    """Write a quantity as value ± expanded uncertainty (k = 2) and unit; a dash where it is withheld."""
    text = None if quantity is None else shown(quantity)
    if quantity is None or text is None:
        return MISSING
    at_least = "≥ " if quantity.get("at_least") else ""
    if text.expanded is None:
        return f"{at_least}{text.value} {text.unit} (± not known)".replace("  ", " ")
    if not text.expanded:
        return f"{at_least}{text.value} {text.unit}".rstrip()
    if text.unit and text.unit != "%":
        return f"{at_least}{text.value} ± {text.expanded} {text.unit}"
    return (
        f"{at_least}({text.value} ± {text.expanded}) %"
        if text.unit
        else f"{at_least}{text.value} ± {text.expanded}"
    )


def seconds(value: float | None) -> str:
    """Write an instant or a length of time in seconds."""
    return MISSING if value is None else f"{significant(value, 7)} s"


def utc(wall_s: float) -> str:
    """Write a wall time in UTC: the same on every computer."""
    return datetime.fromtimestamp(wall_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def utc_of(text: str) -> str:
    """Write an ISO 8601 time with a zone in UTC."""
    return utc(datetime.fromisoformat(text).timestamp())


def length(total_s: float) -> str:
    """Write how long a run is: ``38.0 s``, ``2 h 5 min``, ``3 d 4 h``."""
    if total_s < 120:
        return f"{total_s:.1f} s"
    minutes = round(total_s / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min"
    return f"{hours // 24} d {hours % 24} h"

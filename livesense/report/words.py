"""How a report words figures, instants and files."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from livesense.wording import bounded, shown, significant

MISSING = "—"


def figure(quantity: Mapping[str, Any] | None) -> str:
    """Write a quantity as value ± expanded uncertainty (k = 2) and unit; a dash where it is withheld."""
    text = None if quantity is None else shown(quantity)
    if quantity is None or text is None:
        return MISSING
    bound = bounded(quantity, sign=True)
    if text.expanded is None:
        return f"{bound}{text.value} {text.unit} (± not known)".replace("  ", " ")
    if not text.expanded:
        return f"{bound}{text.value} {text.unit}".rstrip()
    both = f"{text.value} ± {text.expanded}"
    # A sign of percent belongs to both, so they stand in brackets (ISO 80000-1, from memory).
    return f"{bound}({both}) %" if text.unit == "%" else f"{bound}{both} {text.unit}".rstrip()


def seconds(value: float | None) -> str:
    """Write an instant or a length of time in seconds."""
    return MISSING if value is None else f"{significant(value, 7)} s"


def utc(wall_s: float) -> str:
    """Write a wall time in UTC: the same on every computer."""
    return datetime.fromtimestamp(wall_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def utc_of(text: str) -> str:
    """Write an ISO 8601 time with a zone in UTC."""
    return utc(datetime.fromisoformat(text).timestamp())

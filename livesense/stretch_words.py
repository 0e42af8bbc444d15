"""Stretches in words and as marks: what a drive's own state says of one, and the row of marks of a run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from livesense.bench.state_words import meaning

MARKS = {
    "standstill": "at rest",
    "align": "held",
    "held": "held fast",
    "start": "start",
    "steady": "steady",
    "load change": "load",
    "speed change": "speed",
    "braking": "stop",
    "changing": "changes",
}
"""Short words for the marks of stretches."""


def sharpened(kind: str, states: Mapping[str, Sequence[str]] | None) -> str:
    """Give the kind of a stretch once the drive's states within it are known.

    The currents alone leave some open: a piece without a steady one before or after it is a start or a stop
    by its state; a current that stands still while the drive says that it runs is no alignment.
    """
    if not states:
        return kind
    said = {meaning(word) for words in states.values() for word in words}
    if kind == "changing":
        open_kinds = [what for what in ("start", "braking") if what in said]
        return open_kinds[0] if len(open_kinds) == 1 else kind
    if kind == "align" and "run" in said and not said & {"align", "start"}:
        return "held"
    return kind


def fault_of(states: Mapping[str, Sequence[str]] | None) -> str | None:
    """Give the first word of a state within a stretch that tells of a fault."""
    words = (word for words in (states or {}).values() for word in words)
    return next((word for word in words if meaning(word) == "fault"), None)


def marks(stretches: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Make the marks of a run's outline: where each stretch lies, a short word for it and what to say of it.

    Parameters
    ----------
    stretches
        Rows as ``stretches`` tells them.
    """
    return [
        {
            "from_s": row["from_s"],
            "to_s": row["to_s"],
            "kind": row["kind"],
            "word": MARKS.get(row["kind"], row["kind"]),
            "title": _title(row),
            "fault": row.get("fault"),
        }
        for row in stretches
    ]


def _title(row: Mapping[str, Any]) -> str:
    told = f"{row['kind']}, {row['seconds']:.3g} s: {row['text']}"
    return f"{told}; the drive says {row['fault']}" if row.get("fault") else told

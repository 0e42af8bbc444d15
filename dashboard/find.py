"""Finding runs by words: all of them must be somewhere in a run's row, its notes or its events."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from dashboard.clock import when
from livesense.logbook.rows import RunRow

LONGEST_QUERY = 200
LONGEST_FOUND = 120


class Searched(Protocol):
    """What is needed of a logbook."""

    def runs(self) -> list[RunRow]:
        """All runs, newest first."""

    def notes_of_runs(self) -> dict[int, list[str]]:
        """Give notes by run."""

    def events_of_runs(self) -> dict[int, list[str]]:
        """Give kinds and channels of events by run."""


def find(
    logbook: Searched, query: str, with_events: bool = False
) -> tuple[list[RunRow], dict[int, str], int]:
    """Find the runs that hold every word of a query.

    Returns
    -------
    rows, found, count
        Their rows, newest first; by number what was found in notes and events; and how many runs there are.
    """
    every = logbook.runs()
    rows = [row for row in every if row.events] if with_events else every
    words = query[:LONGEST_QUERY].casefold().split()
    if not words:
        return rows, {}, len(every)
    notes, events = logbook.notes_of_runs(), logbook.events_of_runs()
    kept, found = [], {}
    for row in rows:
        said = _said(row, words, notes.get(row.number, ()), events.get(row.number, ()))
        if said is not None:
            kept.append(row)
            if said:
                found[row.number] = said
    return kept, found, len(every)


def _said(row: RunRow, words: Sequence[str], notes: Sequence[str], events: Sequence[str]) -> str | None:
    """Say where the words were found beside the row itself; None where one of them is nowhere."""
    own = " ".join(
        (
            f"run {row.number}",
            row.name,
            row.bench_name,
            row.device,
            when(row.started_wall_s),
            row.state,
            *row.channels,
        )
    ).casefold()
    left = [word for word in words if word not in own]
    told = []
    for kind, texts in (("note", notes), ("event", events)):
        for text in texts:
            folded = text.casefold()
            here = [word for word in left if word in folded]
            if here:
                told.append(f"{kind}: {text}"[:LONGEST_FOUND])
                left = [word for word in left if word not in here]
    return None if left else "; ".join(told)

"""Notes and markers as the pictures show them: where they stand in the run, and what they say."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.names import plot_text
from livesense.logbook.rows import LATER, NoteRow

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.samples import TimeAxis

NEWEST = 40
LONGEST_LABEL = 28


def marks(
    analysis: RunAnalysis, from_s: float = float("-inf"), newest: int | None = NEWEST
) -> list[dict[str, Any]]:
    """List the newest notes from a run time on: ``{"at_s", "text", "label", "source"}``, oldest first.

    Notes that were added when the run was over stand nowhere in it and are left out.
    ``label`` is short and has nothing in it that a figure would take for markup.
    """
    began = analysis.run.row.started_wall_s
    axis = analysis.run.time_axis(0) if analysis.run.groups else None
    rows: list[dict[str, Any]] = [
        {
            "text": str(note.text),
            "label": _short(plot_text(str(note.text))),
            "source": str(note.source),
            "at_s": note_at_s(note, axis, began),
        }
        for note in analysis.run.notes(newest=newest)
        if note.source != LATER
    ]
    return [row for row in rows if row["at_s"] >= from_s]


def note_at_s(note: NoteRow, axis: TimeAxis | None, began_wall_s: float) -> float:
    """Tell when a note was made, by its scan where that is known: a file is read faster than recorded."""
    if axis is not None and note.scan is not None:
        return float(axis.time_s(np.array([note.scan]))[0])
    return float(note.wall_s) - began_wall_s


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_LABEL else text[: LONGEST_LABEL - 1].rstrip() + "…"

"""What runs hold in words beside their rows: their notes, and the kinds and channels of their events."""

from __future__ import annotations

from livesense.logbook.whole import Select

MOST_NOTES = 50_000
"""Notes looked through, the newest ones: a device may send one a second."""


def notes_of_runs(select: Select) -> dict[int, list[str]]:
    """Give the notes of each run that has any, newest first."""
    found: dict[int, list[str]] = {}
    for run, text in select("SELECT run, text FROM note ORDER BY id DESC LIMIT ?", (MOST_NOTES,)):
        found.setdefault(int(run), []).append(str(text))
    return found


def events_of_runs(select: Select) -> dict[int, list[str]]:
    """Give ``kind channel`` of each run's events, each once."""
    found: dict[int, list[str]] = {}
    for run, kind, channel in select("SELECT DISTINCT run, kind, channel FROM event ORDER BY run", ()):
        found.setdefault(int(run), []).append(f"{kind} {channel}")
    return found

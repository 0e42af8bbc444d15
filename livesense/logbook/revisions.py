"""What a run's figures stand on: as recorded, or corrected afterwards; raw codes are never touched."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from livesense.logbook.connection import Statement, plain_text
from livesense.logbook.fields import event_fields
from livesense.logbook.rows import RevisionRow
from livesense.logbook.whole import Select

if TYPE_CHECKING:
    from livesense.samples import Event

_COLUMNS = "number, wall_s, reason, made_by, bench_text, bench_path, calibrations, version, undone_wall_s"

NEWEST = "coalesce((SELECT max(number) FROM revision WHERE run = {run} AND undone_wall_s IS NULL), 0)"
"""SQL for the number of a run's newest revision that was not undone."""


def are_kept(select: Select) -> bool:
    """Tell whether the logbook has revisions: before schema version 4 it had none."""
    return bool(select("SELECT 1 FROM sqlite_master WHERE name = 'revision'", ()))


def newest(select: Select, run: int) -> int:
    """Find the number of a run's newest revision that was not undone; 0 is as recorded."""
    if not are_kept(select):
        return 0
    ((number,),) = select(f"SELECT {NEWEST.format(run='?')}", (run,))
    return int(number)


def all_of(select: Select, run: int) -> list[RevisionRow]:
    """List a run's revisions, undone ones too, in order; the first one is not kept for old runs."""
    if not are_kept(select):
        return []
    rows = select(f"SELECT {_COLUMNS} FROM revision WHERE run = ? ORDER BY number", (run,))
    return [
        RevisionRow(
            number,
            wall_s,
            str(reason),
            str(made_by),
            str(text),
            str(path),
            _numbers(used),
            str(version),
            undone,
        )
        for number, wall_s, reason, made_by, text, path, used, version, undone in rows
    ]


def _numbers(text: object) -> tuple[int, ...]:
    try:
        found = json.loads(text) if isinstance(text, str) else []
    except ValueError:
        found = []
    return tuple(n for n in found if isinstance(n, int)) if isinstance(found, list) else ()


def insertion(run: int, row: RevisionRow) -> Statement:
    """Write what keeps a revision."""
    return (
        f"INSERT OR REPLACE INTO revision (run, {_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            int(run),
            int(row.number),
            float(row.wall_s),
            plain_text(row.reason),
            plain_text(row.made_by),
            plain_text(row.bench_text),
            plain_text(row.bench_path),
            json.dumps([int(number) for number in row.calibrations]),
            row.version,
            row.undone_wall_s,
        ),
    )


def event_insertions(run: int, revision: int, events: Sequence[Event]) -> list[Statement]:
    """Write what keeps the events of a revision."""
    statements: list[Statement] = []
    for number, event in enumerate(events):
        columns = event_fields(event)
        marks = ", ".join("?" * len(columns))
        statements.append(
            (
                f"INSERT INTO event (run, revision, number, {', '.join(columns)}) VALUES (?, ?, ?, {marks})",
                [int(run), int(revision), number, *columns.values()],
            )
        )
    return statements

"""Asking something of a running recorder: the one way in which a page writes to the logbook."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path

from livesense.errors import LogbookError, RunNotFoundError, UsageError
from livesense.logbook import connection as db
from livesense.logbook.rows import RequestRow

KINDS = ("stop", "note", "zero")

LARGEST_TEXT = 10_000
"""Characters in a request's text, at most."""

MOST_WAITING = 100
"""Requests of one run that may wait at once; a recorder answers within a second."""


def ask(path: Path | str, run: int, kind: str, text: str = "") -> int:
    """Ask the recorder of a run for something; hands back the request's number.

    Raises
    ------
    UsageError
        Unknown kind, text too long, or too many requests waiting.
    RunNotFoundError
        No such run.
    LogbookError
        The logbook cannot be written.
    """
    if kind not in KINDS:
        raise UsageError(f"expected one of {', '.join(KINDS)}, got {kind!r}")
    if len(text) > LARGEST_TEXT:
        raise UsageError(f"expected a text of at most {LARGEST_TEXT} characters, got {len(text)}; shorten it")
    file = Path(path).absolute()
    if not file.exists():
        raise LogbookError(f"{file}: no such logbook; record a run first, or name another file")
    with closing(db.open_to_write(file)) as connection, db.transaction(connection, file):
        if connection.execute("SELECT 1 FROM run WHERE number = ?", (int(run),)).fetchone() is None:
            raise RunNotFoundError(f"{file}: expected one of its runs, got {run}")
        (waiting,) = connection.execute(
            "SELECT count(*) FROM request WHERE run = ? AND answered_wall_s IS NULL", (int(run),)
        ).fetchone()
        if waiting >= MOST_WAITING:
            raise UsageError(
                f"run {run}: {waiting} requests are waiting already; its recorder may have ended"
            )
        number = connection.execute(
            "INSERT INTO request (run, asked_wall_s, kind, text) VALUES (?, ?, ?, ?)",
            (int(run), time.time(), kind, db.plain_text(text)),
        ).lastrowid
    return int(number or 0)


def answer_of(path: Path | str, number: int) -> RequestRow | None:
    """Read a request as it stands now, its ``answer`` None while it waits; None when there is no such one."""
    file = Path(path).absolute()
    connection, _ = db.open_to_read(file)
    with closing(connection):
        row = connection.execute(
            "SELECT id, run, asked_wall_s, kind, text, answer FROM request WHERE id = ?", (int(number),)
        ).fetchone()
    return None if row is None else RequestRow(*row)

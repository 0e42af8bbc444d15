"""Asking something of a running recorder: the one way in which a page writes to the logbook."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from pathlib import Path

from livesense.errors import LogbookError, RunNotFoundError, UsageError
from livesense.logbook import connection as db
from livesense.logbook.locks import is_held
from livesense.logbook.rows import LATER, RequestRow

KINDS = ("stop", "note", "zero", "walk", "stage", "point", "scale", "discard")

LARGEST_TEXT = 10_000
"""Characters in a request's text, at most."""

MOST_WAITING = 100
"""Requests of one run that may wait at once; a recorder answers within a second."""

MOST_LATER = 500
"""Notes that may be added to one run after its end."""


def ask(path: Path | str, run: int, kind: str, text: str = "") -> int:
    """Ask the recorder of a run for something; hands back the request's number.

    A note on a run that is over is kept at once, as one from the page: there is no recorder to ask, and no
    instant of the run that it belongs to.

    Raises
    ------
    UsageError
        Unknown kind, text too long, too many requests waiting, nobody records the run, or it has as many
        later notes as it may have.
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
        row = connection.execute("SELECT token, ended FROM run WHERE number = ?", (int(run),)).fetchone()
        if row is None:
            raise RunNotFoundError(f"{file}: expected one of its runs, got {run}")
        token, ended = row
        over = ended is not None or is_held(file, str(token)) is False
        if over and kind != "note":
            raise UsageError(f"run {run} is not being recorded: no recorder is there to be asked")
        (waiting,) = connection.execute(
            "SELECT count(*) FROM request WHERE run = ? AND answered_wall_s IS NULL", (int(run),)
        ).fetchone()
        if waiting >= MOST_WAITING and not over:
            raise UsageError(
                f"run {run}: {waiting} requests are waiting already; its recorder may have ended"
            )
        now, kept = time.time(), db.plain_text(text)
        if over:
            _keep_later(connection, int(run), now, kept)
        number = connection.execute(
            "INSERT INTO request (run, asked_wall_s, kind, text, answered_wall_s, answer)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (int(run), now, kind, kept, now if over else None, "kept" if over else None),
        ).lastrowid
    return int(number or 0)


def _keep_later(connection: sqlite3.Connection, run: int, now: float, text: str) -> None:
    (count,) = connection.execute(
        "SELECT count(*) FROM note WHERE run = ? AND source = ?", (run, LATER)
    ).fetchone()
    if count >= MOST_LATER:
        raise UsageError(
            f"expected at most {MOST_LATER} notes added after run {run}, got one more; it has these"
        )
    connection.execute(
        "INSERT INTO note (run, wall_s, source, text) VALUES (?, ?, ?, ?)", (run, now, LATER, text)
    )


def answer_of(path: Path | str, number: int) -> RequestRow | None:
    """Read a request as it stands now, its ``answer`` None while it waits; None when there is no such one."""
    file = Path(path).absolute()
    connection, _ = db.open_to_read(file)
    with closing(connection):
        row = connection.execute(
            "SELECT id, run, asked_wall_s, kind, text, answer FROM request WHERE id = ?", (int(number),)
        ).fetchone()
    return None if row is None else RequestRow(*row)

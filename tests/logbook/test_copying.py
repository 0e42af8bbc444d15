"""A copied run is the run: every row, bit for bit, or nothing at all."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from picture_bytes import png
from whole_run import begin, calibration, fast_codes, write_run

from livesense.errors import LogbookError, NoLogbookError, RunNotFoundError, UsageError
from livesense.logbook import schema
from livesense.logbook.copying import Copied, copy_run
from livesense.logbook.pictures import add_picture
from livesense.logbook.reader import Logbook
from livesense.logbook.verify import verify
from livesense.logbook.writer import LogbookWriter
from livesense.samples import Estimate, ScanBlock

WITH_RUN = [name for name in schema.TABLES if name not in ("run", "calibration", "calibration_point")]


def quiet(what: str, done: int, total: int) -> None:
    assert 0 <= done <= total


def copied(
    source: Path, run: int | str, target: Path, tell: Callable[[str, int, int], None] = quiet
) -> Copied:
    with Logbook(source) as book:
        return copy_run(book, run, target, tell)


def rows_of(path: Path, run: int) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of a run, without what is a logbook's own: numbers of rows, of the run, its token."""
    found = {}
    with closing(sqlite3.connect(path)) as db:
        for table in ["run", *WITH_RUN]:
            names = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
            kept = [
                name
                for name in names
                if name not in ("id", "run", "number", "token") or (table in KEYS and name in KEYS[table])
            ]
            key = "number" if table == "run" else "run"
            order = "id" if "id" in names else ", ".join(names[:3])
            found[table] = db.execute(
                f"SELECT {', '.join(kept)} FROM {table} WHERE {key} = ? ORDER BY {order}", (run,)
            ).fetchall()
    return found


KEYS = {"scan_group": ("number",), "event": ("number",), "revision": ("number",)}


def is_sound(path: Path) -> bool:
    return verify(path, None, lambda *_: None).total == 0


@pytest.fixture
def source(path: Path, writer: LogbookWriter) -> Path:
    """A closed logbook; its second run has a row in every table."""
    write_run(writer, name="before", seed_calibrations=False)
    writer.add_calibrations([calibration(channel="vbus"), calibration(channel="iw")])
    number = write_run(writer)
    writer.write(
        [("INSERT INTO request (run, asked_wall_s, kind, text) VALUES (?, 1.0, 'note', 'x')", (number,))]
    )
    writer.close()
    add_picture(path, number, "bench.png", png())
    return path


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "to mail.db"


def test_every_row_is_in_the_copy(source: Path, target: Path) -> None:
    made = copied(source, 2, target)
    assert (made.run, made.created, made.bytes) == (2, True, target.stat().st_size)
    before = rows_of(source, 2)
    assert all(rows for table, rows in before.items() if table not in ("tail", "dropped", "trend"))
    assert rows_of(target, 2) == before
    assert is_sound(target)
    with Logbook(target) as there, Logbook(source) as here:
        assert [row.number for row in there.runs()] == [2]
        assert there.run(2).row == here.run(2).row
        for revision in (0, 1):
            assert there.run(2).calibration(revision) == here.run(2).calibration(revision) != []
        one, other = (list(book.run(2).codes(0, 0, 1 << 40)) for book in (there, here))
        assert [first for first, _ in one] == [first for first, _ in other]
        assert all(np.array_equal(a, b) for (_, a), (_, b) in zip(one, other, strict=True))
    with closing(sqlite3.connect(target)) as db:
        assert db.execute("SELECT channel, calibration FROM calibration_point").fetchall() == [("iu", 4)]
        assert db.execute("SELECT id FROM calibration ORDER BY id").fetchall() == [(3,), (4,)]


def test_the_file_stands_alone_and_is_a_whole_logbook(source: Path, target: Path) -> None:
    copied(source, "last", target)
    beside = {entry.name for entry in target.parent.iterdir()} - {"pump.db", "pump.db-wal", "pump.db-shm"}
    assert beside == {"to mail.db"}
    with closing(sqlite3.connect(target)) as db:
        assert [
            db.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "auto_vacuum", "page_size")
        ] == ["wal", 2, 8192]
    with LogbookWriter(target) as writer:
        # The number of a run that was copied is not given again.
        assert write_run(writer, seed_calibrations=False) == 3


def test_into_another_logbook_it_gets_the_next_number(source: Path, target: Path) -> None:
    with LogbookWriter(target) as writer:
        writer.add_calibrations([calibration(channel="iw"), calibration()])
        for _ in range(3):
            write_run(writer, seed_calibrations=False)
    made = copied(source, 2, target)
    assert (made.run, made.created) == (4, False)
    before, after = rows_of(source, 2), rows_of(target, 4)
    assert [row[6] for row in before.pop("revision")] == ["[3, 4]", "[3]"]
    # What is there already is used, what is not gets a number of its own.
    assert [row[6] for row in after.pop("revision")] == ["[2, 3]", "[2]"]
    assert after == before
    with Logbook(target) as book:
        assert [c.kind for c in book.run(4).calibration(0)] == ["zero", "scale"]
        assert len(book.runs()) == 4
    assert is_sound(target)
    again = copied(source, 2, target)
    assert again.run == 5
    with closing(sqlite3.connect(target)) as db:
        assert db.execute("SELECT count(*) FROM calibration").fetchone() == (3,)
        assert db.execute("SELECT count(DISTINCT token) FROM run").fetchone() == (5,)


def test_an_empty_file_is_taken_as_none(source: Path, target: Path) -> None:
    target.touch()
    assert copied(source, 2, target).created
    assert is_sound(target)


def test_a_run_that_was_cut_off(path: Path, writer: LogbookWriter, target: Path) -> None:
    run = begin(writer, "cut")
    run.append(ScanBlock(0, 0, fast_codes(0, 40_000)))
    run.merge(force=True)
    run.append(ScanBlock(0, 40_000, fast_codes(40_000, 300)))
    run.commit()
    writer.close()
    copied(path, 1, target)
    assert rows_of(target, 1) == rows_of(path, 1)
    assert rows_of(target, 1)["tail"]
    with Logbook(target) as book:
        assert (book.run(1).row.state, book.run(1).scans_stored(0)) == ("recovered", 40_300)
    assert is_sound(target)


@pytest.mark.parametrize("version", [1, 2, 3])
def test_a_run_of_an_older_logbook(
    path: Path, target: Path, monkeypatch: pytest.MonkeyPatch, version: int
) -> None:
    monkeypatch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:version])
    LogbookWriter(path).close()
    monkeypatch.undo()
    with closing(sqlite3.connect(path)) as db:
        db.execute(
            "INSERT INTO run (number, name, started_wall_s, bench_name, bench_text, bench_path, device,"
            " description, port, wire, version, token, ended)"
            " VALUES (1, 'old', 1.0, '', '', '', '', '', '', '', '', 'x', 'time')"
        )
        db.execute(
            "INSERT INTO scan_group (run, number, rate_hz, code, held_as, counted)"
            " VALUES (1, 0, 1e3, 'u16', '<u2', 1)"
        )
        db.execute("INSERT INTO segment VALUES (1, 0, 0, 0.0, 2000.0)")
        db.execute(
            "INSERT INTO outage (run, began_wall_s, ended_wall_s, cause) VALUES (1, 10.0, 12.5, 'gone')"
        )
        nominal = ("", "") if version == 1 else (", nominal_hz", ", 2000.0")
        db.execute(
            f"INSERT INTO rate (run, scan_group, value_hz, u_random_hz, u_systematic_hz{nominal[0]})"
            f" VALUES (1, 0, 2001.0, 0.5, 0.25{nominal[1]})"
        )
        db.commit()
    assert is_sound(path)
    copied(path, 1, target)
    with Logbook(target) as there, Logbook(path) as here:
        assert there.run(1).rates() == here.run(1).rates() == {0: {2000.0: Estimate(2001.0, 0.5, 0.25, "Hz")}}
        assert there.run(1).outages() == here.run(1).outages()
        assert there.select("PRAGMA user_version") == [(schema.newest_version(),)]
    assert is_sound(target)


def test_what_is_refused(source: Path, target: Path, tmp_path: Path) -> None:
    with pytest.raises(RunNotFoundError):
        copied(source, 9, target)
    with pytest.raises(UsageError, match="is the logbook that holds run 2"):
        copied(source, 2, tmp_path / "." / "pump.db")
    with pytest.raises(UsageError, match="there is no folder"):
        copied(source, 2, tmp_path / "deeper" / "x.db")
    with pytest.raises(NoLogbookError, match="found a folder"):
        copied(source, 2, tmp_path)
    (tmp_path / "text.txt").write_text("hello " * 500)
    with pytest.raises(NoLogbookError, match="no database"):
        copied(source, 2, tmp_path / "text.txt")
    assert (tmp_path / "text.txt").read_text() == "hello " * 500
    assert not target.exists()
    with LogbookWriter(source) as writer:
        begin(writer, "on").commit()
        with pytest.raises(UsageError, match="run 3 is being recorded: copy it when it has ended"):
            copied(source, 3, target)
        # Others of the same logbook may be copied meanwhile.
        assert copied(source, 2, target).created
    with LogbookWriter(target) as writer:
        begin(writer, "on").commit()
        with pytest.raises(UsageError, match="a recorder is at work in it"):
            copied(source, 2, target)


class Stop:
    """Break the copying off after so many steps."""

    def __init__(self, after: int) -> None:
        self.left = after

    def __call__(self, what: str, done: int, total: int) -> None:
        self.left -= 1
        if self.left < 0:
            raise KeyboardInterrupt


def test_broken_off_at_any_step_nothing_is_left(source: Path, target: Path) -> None:
    there = sorted(source.parent.iterdir())
    steps = 0
    while True:
        try:
            copied(source, 2, target, Stop(steps))
            break
        except KeyboardInterrupt:
            assert [p for p in sorted(source.parent.iterdir()) if not p.name.startswith("pump.db")] == [
                p for p in there if not p.name.startswith("pump.db")
            ]
            steps += 1
    assert steps > 12
    before = rows_of(target, 2)
    for after in range(steps):
        with pytest.raises(KeyboardInterrupt):
            copied(source, 2, target, Stop(after))
        with Logbook(target) as book:
            assert [row.number for row in book.runs()] == [2]
    assert rows_of(target, 2) == before
    assert is_sound(target)


KILLED = """
import os, sys
from pathlib import Path
from livesense.logbook.copying import copy_run
from livesense.logbook.reader import Logbook
left = int(sys.argv[3])
def tell(what, done, total):
    global left
    left -= 1
    if left < 0:
        os._exit(9)
with Logbook(sys.argv[1]) as book:
    copy_run(book, 2, sys.argv[2], tell)
"""


@pytest.mark.parametrize("after", [2, 9])
def test_killed_amid_it_the_target_is_as_it_was(source: Path, target: Path, after: int) -> None:
    # os._exit ends a process on every system as a kill does: nothing is tidied up.
    child = [sys.executable, "-c", KILLED, str(source), str(target), str(after)]
    assert subprocess.run(child, check=False).returncode == 9
    assert not target.exists()
    copied(source, 2, target)
    assert subprocess.run(child, check=False).returncode == 9
    with Logbook(target) as book:
        assert [row.number for row in book.runs()] == [2]
    assert is_sound(target)


@pytest.mark.parametrize("at_the_end", [False, True])
def test_a_run_that_is_deleted_meanwhile(source: Path, target: Path, at_the_end: bool) -> None:
    def tell(what: str, done: int, total: int) -> None:
        if done > (total - 2 if at_the_end else 20):
            with closing(sqlite3.connect(source)) as db:
                db.execute("PRAGMA foreign_keys = ON")
                db.execute("DELETE FROM run WHERE number = 2")
                db.commit()

    with pytest.raises(LogbookError, match="changed while it was copied; nothing was copied"):
        copied(source, 2, target, tell)
    assert not target.exists()


def test_a_file_made_meanwhile_is_not_replaced(source: Path, target: Path) -> None:
    def tell(what: str, done: int, total: int) -> None:
        target.write_text("mine")

    with pytest.raises(UsageError, match="made by somebody else meanwhile"):
        copied(source, 2, target, tell)
    assert target.read_text() == "mine"
    assert [entry for entry in os.listdir(target.parent) if "unfinished" in entry] == []

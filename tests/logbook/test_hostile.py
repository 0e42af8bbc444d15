"""A logbook that somebody else made: whatever stands in it, commands answer or refuse in a sentence."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, note_frame

from livesense.errors import LogbookError
from livesense.logbook import schema
from livesense.logbook.reader import Logbook

GARBAGE = (
    "NULL",
    "-1",
    "0",
    "9223372036854775807",
    "1e308",
    "'text'",
    "x'00ff'",
    "zeroblob(100000)",
    "'{\"a\": [1'",
)
COMMANDS = (
    ("runs",), ("show", "1"), ("measure", "1"), ("events", "1"), ("stretches", "1"), ("verify",),
    ("export", "1", "--out", "out.csv", "--force"), ("copy", "1", "--to", "copy.db"),
)  # fmt: skip
WATCH = """
[[watch]]
kind = "overcurrent"
channels = ["iu"]
limit = "1 A"
[keep]
raw = "10 s"
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small logbook with a row in most tables, made once."""
    from livesense.bench import parse
    from livesense.link.address import parse_address
    from livesense.record_settings import RecordSettings
    from livesense.recorder import Recorder

    folder = tmp_path_factory.mktemp("hostile")
    sender = Sender()
    stream = description_frame([group(sender.channels)], boot="first") + note_frame("booted")
    stream += b"".join(sender.packet(300) for _ in range(10))
    sender.skip(10)
    stream += b"".join(sender.packet(300) for _ in range(10))
    again = Sender()
    stream += description_frame([group(sender.channels)], boot="again")
    stream += b"".join(again.packet(300) for _ in range(10)) + b"\x01\x02\x00"
    (folder / "stream.bin").write_bytes(stream)
    address = parse_address(f"file:{folder / 'stream.bin'}")
    path = folder / "livesense.db"
    Recorder(RecordSettings(parse(bench_text(more=WATCH)), address, path, until_closed=True)).run()
    with closing(sqlite3.connect(path)) as db:
        db.execute("INSERT INTO dropped VALUES (1, 0, 1, 0, 64, 0, 'age', 1.0)")
        db.execute("INSERT INTO outage VALUES (1, 1.0, 2.0, 'gone', 3, NULL)")
        db.commit()
    return path


def columns() -> list[tuple[str, str]]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        schema.migrate(db, Path("x"))
        return [
            (table, name)
            for table in schema.TABLES
            for _, name, *_ in db.execute(f"PRAGMA table_info({table})")
        ]


CHANGES = [(table, name, value) for table, name in columns() for value in GARBAGE]


def try_all(
    made: Path, folder: Path, changes: list[tuple[str, str, str]], livesense: Callable[..., Any]
) -> int:
    path = folder / "livesense.db"
    tried = 0
    for table, name, value in changes:
        for old in folder.glob("*.db*"):
            old.unlink()
        shutil.copy(made, path)
        with closing(sqlite3.connect(path)) as db:
            db.execute("PRAGMA foreign_keys = OFF")
            try:
                db.execute(f"UPDATE {table} SET {name} = {value}")
            except sqlite3.Error:
                # The table's own rules forbid it: nobody can make such a file with SQLite.
                continue
            db.commit()
        for command in COMMANDS:
            answer = livesense(*command)
            assert answer.code in (0, 1, 2), (table, name, value, command)
            assert "Traceback" not in answer.err, (table, name, value, command)
            if answer.code == 2:
                assert answer.err.startswith("livesense: "), (table, name, value, command, answer.err)
        tried += 1
    return tried


@pytest.mark.slow
def test_garbage_in_any_column_is_answered_in_a_sentence(
    made: Path, tmp_path: Path, livesense: Callable[..., Any]
) -> None:
    chosen = random.Random(1).sample(CHANGES, 25)
    assert try_all(made, tmp_path, chosen, livesense) > 10


@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("table", schema.TABLES)
def test_garbage_in_every_column_is_answered_in_a_sentence(
    made: Path, tmp_path: Path, livesense: Callable[..., Any], table: str
) -> None:
    try_all(made, tmp_path, [change for change in CHANGES if change[0] == table], livesense)


ENDLESS = """
CREATE VIEW dropped AS WITH RECURSIVE r(n) AS (SELECT 1 UNION ALL SELECT n FROM r)
 SELECT n AS run, n AS scan_group, 0 AS level, n AS first, n AS stop, n AS scans, '' AS reason, 1.0 AS wall_s
 FROM r
"""
COMPUTED = (
    "CREATE TABLE dropped (run, scan_group, level, first, stop, scans, wall_s,"
    " reason AS (hex(zeroblob(1 << 29))))"
)


@pytest.mark.parametrize(
    "statements",
    [
        ("DROP TABLE dropped", ENDLESS),
        ("ALTER TABLE run RENAME TO other", "CREATE VIEW run AS SELECT * FROM other, other AS o2"),
        ("DROP TABLE dropped", COMPUTED),
    ],
    ids=["a view without end", "a view that multiplies", "a computed column"],
)
def test_what_could_run_its_makers_code_is_refused(
    made: Path, tmp_path: Path, statements: tuple[str, ...], livesense: Callable[..., Any]
) -> None:
    altered(made, tmp_path, *statements)
    for command in (*COMMANDS, ("compact",), ("delete", "1", "--yes")):
        answer = livesense(*command)
        assert answer.code == 1, command
        assert "damaged logbook" in answer.err, command


def test_triggers_are_no_harm_to_who_reads_and_keep_who_writes_away(
    made: Path, tmp_path: Path, livesense: Callable[..., Any]
) -> None:
    altered(made, tmp_path, "CREATE TRIGGER t AFTER DELETE ON run BEGIN DELETE FROM block; END")
    answer = livesense("delete", "1", "--yes")
    assert answer.code == 1
    assert "refused to write: the file holds triggers ('t')" in answer.err
    assert livesense("show", "1", "--json").json["groups"][0]["scans_stored"] == 9000


def altered(made: Path, folder: Path, *statements: str) -> None:
    shutil.copy(made, folder / "livesense.db")
    with closing(sqlite3.connect(folder / "livesense.db")) as db:
        for statement in statements:
            db.execute(statement)
        db.commit()


def test_the_schema_is_not_trusted(made: Path) -> None:
    with Logbook(made) as book:
        assert book.select("PRAGMA trusted_schema") == [(0,)]
        assert book.select("PRAGMA query_only") == [(1,)]


def test_dropped_ranges_without_end_cost_nothing(made: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    shutil.copy(made, path)
    with closing(sqlite3.connect(path)) as db:
        db.executemany(
            "INSERT OR REPLACE INTO dropped VALUES (1, 0, 0, ?, ?, 1, 'age', 1.0)",
            [(n * 1000, 1 << 62) for n in range(2000)],
        )
        db.execute("UPDATE dropped SET level = 1 << 40 WHERE level = 1")
        db.commit()
    with Logbook(path) as book:
        run = book.run(1)
        assert run.envelope(0, "iu", 0, 9000, 100).n.sum() <= 9000
        assert run.scans_dropped(0) == 2000
        with closing(sqlite3.connect(path)) as db:
            db.execute("UPDATE dropped SET first = 'x' WHERE first = 5000")
            db.commit()
        with pytest.raises(LogbookError, match="expected a whole number for first, found str"):
            run.dropped(0)

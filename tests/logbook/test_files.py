"""Which files are opened, which refused, and what a hostile one cannot do."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlite_utils

from livesense.errors import DamagedBlockError, DiskFullError, LogbookError, NewerLogbookError
from livesense.logbook import codec, connection, schema
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import OutageRow
from livesense.logbook.writer import LogbookWriter
from livesense.samples import Estimate, ScanBlock

StartRun = Callable[..., Any]


def alter(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as db:
        for text in statements:
            db.execute(text)
        db.commit()


@pytest.fixture
def recorded(
    path: Path, start: StartRun, writer: LogbookWriter, pump_codes: Callable[..., np.ndarray]
) -> Path:
    """A logbook with one complete run, closed."""
    run = start()
    run.append(ScanBlock(0, 0, pump_codes(5000)))
    run.finish("time", 1.0)
    writer.close()
    return path


def test_how_a_new_logbook_is_set_up(path: Path, writer: LogbookWriter) -> None:
    pragmas = {
        name: writer.select(f"PRAGMA {name}")[0][0]
        for name in (
            "page_size",
            "auto_vacuum",
            "journal_mode",
            "synchronous",
            "application_id",
            "user_version",
        )
    }
    assert pragmas == {
        "page_size": 8192,
        "auto_vacuum": 2,
        "journal_mode": "wal",
        "synchronous": 1,
        "application_id": schema.APPLICATION_ID,
        "user_version": schema.newest_version(),
    }
    names = {name for name in sqlite_utils.Database(path).table_names() if not name.startswith("sqlite_")}
    assert names == set(schema.TABLES)


@pytest.mark.parametrize(
    "name", ["a b.db", "50 %?.db", "x#y.db", "µΩ 日本.db", "a&mode=rwc.db", "%41.db", "[x].db"]
)
def test_any_name_will_do(tmp_path: Path, start: StartRun, name: str) -> None:
    path = tmp_path / name
    try:
        path.touch()
    except OSError:
        pytest.skip("this system does not take such a name")
    with LogbookWriter(path) as writer:
        run = start(on=writer)
        with Logbook(path) as book:
            assert book.run(1).row.state == "recording"
        run.finish("time", 1.0)
    with Logbook(path) as book:
        assert [run.number for run in book.runs()] == [1]
    assert [entry.name for entry in tmp_path.iterdir() if not entry.name.startswith(("pump", name))] == []


@pytest.mark.skipif(sys.platform != "linux", reason="names of arbitrary bytes are a Linux matter")
def test_a_name_that_is_no_utf8_will_do(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"caf\xe9.db")
    LogbookWriter(path).close()
    with Logbook(path) as book:
        assert book.runs() == []


def test_uris_of_windows_paths() -> None:
    from pathlib import PureWindowsPath

    assert connection.uri(PureWindowsPath("C:\\a b\\x?.db"), "mode=ro") == "file:///C:/a%20b/x%3F.db?mode=ro"  # type: ignore[arg-type]
    assert (
        connection.uri(PureWindowsPath("\\\\host\\share\\x.db"), "mode=ro")
        == "file:////host/share/x.db?mode=ro"
    )  # type: ignore[arg-type]


def test_a_relative_path_is_looked_up_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    LogbookWriter("x.db").close()
    with Logbook("x.db") as book:
        monkeypatch.chdir("/")
        assert book.path == tmp_path / "x.db"
        assert book.runs() == []


@pytest.mark.parametrize("opener", [LogbookWriter, Logbook])
def test_a_text_file_is_refused_and_left_alone(path: Path, opener: Callable[[Path], Any]) -> None:
    path.write_text("time,iu\n" * 1000)
    with pytest.raises(LogbookError, match="found a file that is no database"):
        opener(path)
    assert path.read_text() == "time,iu\n" * 1000


@pytest.mark.parametrize("opener", [LogbookWriter, Logbook])
def test_a_file_whose_list_of_tables_is_garbled(recorded: Path, opener: Callable[[Path], Any]) -> None:
    # SQLite's own message then quotes bytes that are no text.
    garbled = recorded.read_bytes().replace(b"CREATE TABLE gap (", b"CREATE TAB\xfeE gap (")
    recorded.write_bytes(garbled)
    with pytest.raises(LogbookError, match="text that cannot be read: the file is damaged"):
        opener(recorded)


@pytest.mark.parametrize("opener", [LogbookWriter, Logbook])
def test_another_database_is_refused_and_left_alone(path: Path, opener: Callable[[Path], Any]) -> None:
    alter(path, "CREATE TABLE recipes (name TEXT)")
    before = path.read_bytes()
    with pytest.raises(LogbookError, match="found a database of something else"):
        opener(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("opener", [LogbookWriter, Logbook])
def test_a_newer_schema_is_refused_by_its_number(recorded: Path, opener: Callable[[Path], Any]) -> None:
    alter(recorded, "PRAGMA user_version = 9")
    with pytest.raises(NewerLogbookError, match="found version 9; a newer livesense wrote it"):
        opener(recorded)


def test_what_is_not_there(path: Path) -> None:
    with pytest.raises(LogbookError, match="no such logbook"):
        Logbook(path)
    assert not path.exists()
    with pytest.raises(LogbookError, match="does not exist"):
        LogbookWriter(path / "deeper" / "x.db")
    with pytest.raises(LogbookError, match="found a folder"):
        LogbookWriter(path.parent)
    path.touch()
    with pytest.raises(LogbookError, match="holds no logbook yet"):
        Logbook(path)


def test_older_schemas_are_brought_up_to_date(
    recorded: Path, monkeypatch: pytest.MonkeyPatch, pump_codes: Callable[..., np.ndarray]
) -> None:
    def add_operator(db: sqlite_utils.Database) -> None:
        db["run"].add_column("operator", str)  # type: ignore[union-attr]

    monkeypatch.setattr(schema, "MIGRATIONS", [*schema.MIGRATIONS, add_operator])
    LogbookWriter(recorded).close()
    assert "operator" in sqlite_utils.Database(recorded)["run"].columns_dict
    with Logbook(recorded) as book:
        assert np.array_equal(book.run(1).latest(0, 5000)[1], pump_codes(5000))


def test_a_logbook_of_the_first_schema_is_read_and_brought_up_to_date(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:1])
    LogbookWriter(path).close()
    monkeypatch.undo()
    alter(
        path,
        "INSERT INTO run (number, name, started_wall_s, bench_name, bench_text, bench_path, device,"
        " description, port, wire, version, token, ended) VALUES (1, '', 1.0, '', '', '', '', '', '', '', '',"
        " 'x', 'time')",
        "INSERT INTO scan_group (run, number, rate_hz, code, held_as, counted)"
        " VALUES (1, 0, 1e3, 'u16', '<u2', 1)",
        "INSERT INTO segment VALUES (1, 0, 0, 0.0, 1000.0), (1, 0, 50, 0.05, 2000.0)",
        "INSERT INTO outage VALUES (1, 10.0, 12.5, 'gone')",
        "INSERT INTO rate VALUES (1, 0, 2001.0, 0.5, 0.25)",
    )
    expected = [OutageRow(10.0, 12.5, "gone")], {0: {2000.0: Estimate(2001.0, 0.5, 0.25, "Hz")}}
    with Logbook(path) as book:
        assert (book.run(1).outages(), book.run(1).rates()) == expected
        LogbookWriter(path).close()
        assert book.select("PRAGMA user_version") == [(schema.newest_version(),)]
        assert (book.run(1).outages(), book.run(1).rates()) == expected


def test_a_logbook_of_the_second_schema_keeps_its_rates(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:2])
    LogbookWriter(path).close()
    monkeypatch.undo()
    alter(
        path,
        "INSERT INTO run (number, name, started_wall_s, bench_name, bench_text, bench_path, device,"
        " description, port, wire, version, token, ended) VALUES (1, '', 1.0, '', '', '', '', '', '', '', '',"
        " 'x', 'time')",
        "INSERT INTO rate VALUES (1, 0, 2001.0, 0.5, 0.25, 2000.0), (1, 0, 1001.0, 0.5, 0.25, 1000.0)",
    )
    expected = {
        0: {2000.0: Estimate(2001.0, 0.5, 0.25, "Hz"), 1000.0: Estimate(1001.0, 0.5, 0.25, "Hz")},
    }
    with Logbook(path) as book:
        assert book.run(1).rates() == expected
        LogbookWriter(path).close()
        assert book.run(1).rates() == expected
        assert book.select("PRAGMA integrity_check") == [("ok",)]


def test_a_logbook_without_calibrations_is_read_and_brought_up_to_date(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:3])
    LogbookWriter(path).close()
    monkeypatch.undo()
    alter(
        path,
        "INSERT INTO run (number, name, started_wall_s, bench_name, bench_text, bench_path, device,"
        " description, port, wire, version, token, ended) VALUES (1, '', 1.0, 'b', '', '', '', '', '', '',"
        " '', 'x', 'time')",
        "INSERT INTO calibration VALUES (1, 1.0, 'zero', 'b', 'd', 'iu', 2047.0, 0.1, 500)",
    )
    with Logbook(path) as book:
        run = book.run(1)
        assert (run.revision(), run.revisions(), run.calibration(), run.events()) == (0, [], [], [])
        assert (book.calibrations("b", {"iu": ""}), book.waiting_points("b", {"iu": ""})) == ([], [])
        assert book.runs()[0].events == 0
        LogbookWriter(path).close()
        # A zero that was kept before runs could use it belongs to no board in particular.
        assert [row.zero_code for row in book.calibrations("b", {"iu": ""})] == [2047.0]
        assert (run.revision(), run.revisions(), run.calibration()) == (0, [], [])
        assert book.select("PRAGMA integrity_check") == [("ok",)]


def test_keys_come_first_where_rows_have_no_number(recorded: Path) -> None:
    # Elsewhere integrity_check of SQLite 3.40 reports NULL values that are not there.
    with closing(sqlite3.connect(recorded)) as db:
        bare = [
            name
            for name, text in db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table'")
            if "WITHOUT ROWID" in text
        ]
        assert "rate" in bare
        for name in bare:
            in_key = [row[5] > 0 for row in db.execute(f"PRAGMA table_info({name})")]
            assert in_key == sorted(in_key, reverse=True), name


def test_a_step_that_fails_leaves_the_steps_before_it(
    recorded: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def good(db: sqlite_utils.Database) -> None:
        db["run"].add_column("operator", str)  # type: ignore[union-attr]

    def bad(db: sqlite_utils.Database) -> None:
        db["run"].add_column("place", str)  # type: ignore[union-attr]
        raise RuntimeError("no")

    monkeypatch.setattr(schema, "MIGRATIONS", [*schema.MIGRATIONS, good, bad])
    with pytest.raises(RuntimeError):
        LogbookWriter(recorded)
    with closing(sqlite3.connect(recorded)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (schema.newest_version() - 1,)
        names = [row[1] for row in db.execute("PRAGMA table_info(run)")]
    assert "operator" in names
    assert "place" not in names


def test_reading_changes_nothing(recorded: Path) -> None:
    with Logbook(recorded) as book:
        for text in (
            "DELETE FROM run",
            "UPDATE run SET name = 'x'",
            "CREATE TABLE t (a)",
            "PRAGMA user_version = 9",
        ):
            with pytest.raises(LogbookError):
                book.select(text)
        assert book.select("PRAGMA trusted_schema") == [(0,)]
        assert book.run(1).row.name == "first start"


def test_a_trigger_keeps_recorders_away(recorded: Path) -> None:
    alter(recorded, "CREATE TRIGGER sly AFTER INSERT ON run BEGIN DELETE FROM block; END")
    with pytest.raises(LogbookError, match="the file holds triggers \\('sly'\\)"):
        LogbookWriter(recorded)
    with Logbook(recorded) as book:
        assert book.run(1).scans_stored(0) == 5000


def test_views_of_the_users_own_are_left_be(recorded: Path) -> None:
    alter(recorded, "CREATE VIEW mine AS SELECT name FROM run", "CREATE TABLE remarks (text)")
    LogbookWriter(recorded).close()
    with Logbook(recorded) as book:
        assert book.select("SELECT * FROM mine") == [("first start",)]


ENDLESS = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT x FROM c"


@pytest.mark.parametrize("opener", [LogbookWriter, Logbook])
@pytest.mark.parametrize(
    ("statements", "message"),
    [
        (("DROP TABLE gap", f"CREATE VIEW gap AS {ENDLESS}"), "found view"),
        (("DROP TABLE gap",), "found nothing"),
        (
            (
                "DROP TABLE gap",
                "CREATE VIRTUAL TABLE gap USING fts5(run, scan_group, first, scans, cause, wall_s)",
            ),
            "expected a table",
        ),
        (("ALTER TABLE gap ADD COLUMN x AS (hex(zeroblob(900000000)))",), "computed columns"),
    ],
)
def test_a_table_that_is_none_is_refused(
    recorded: Path, opener: Callable[[Path], Any], statements: tuple[str, ...], message: str
) -> None:
    alter(recorded, *statements)
    with pytest.raises(LogbookError, match=message):
        opener(recorded)


def read_all(path: Path) -> None:
    with Logbook(path) as book:
        run = book.run(1)
        for _ in run.codes(0, 0, 1 << 62):
            pass
        run.latest(0, 1 << 40)
        run.envelope(0, "iu", 0, 5000, 10)
        run.row  # noqa: B018


TAIL = "INSERT INTO tail (run, scan_group, first, scans, crc32, codes) VALUES "


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE block SET scans = 1 << 50",
        "UPDATE block SET scans = 4999",
        "UPDATE block SET scans = 0",
        "UPDATE block SET scans = -5",
        "UPDATE block SET scans = 'many'",
        "UPDATE block SET first = 'zero'",
        "UPDATE block SET encoding = 'delta'",
        "UPDATE block SET encoding = x'00'",
        "UPDATE block SET base = 'x'",
        "UPDATE block SET base = base + 1",
        "UPDATE block SET base = 9223372036854775807",
        "UPDATE block SET crc32 = crc32 + 1",
        "UPDATE block SET data = 'text'",
        "UPDATE block SET data = zeroblob(1000000)",
        "DELETE FROM block WHERE position = 2",
        "UPDATE block SET position = 0 WHERE position = 1",
        "UPDATE scan_group SET held_as = 'O'",
        "UPDATE scan_group SET code = 'u99'",
        "UPDATE scan_group SET number = 3",
        "UPDATE channel SET position = 1 << 40 WHERE position = 3",
        "UPDATE pyramid SET entries = 1 << 40",
        "UPDATE pyramid SET data = zeroblob(100)",
        "UPDATE pyramid SET data = 'text'",
        TAIL + "(1, 0, 5000, 1 << 40, 0, x'00')",
        TAIL + "(1, 0, 5000, 1, 0, zeroblob(8))",
        TAIL + "(1, 0, 5000, 1, 0, 'text')",
        TAIL + "(1, 0, 4000, 1, 0, zeroblob(8))",
    ],
)
def test_a_forged_file_is_refused_with_a_clear_error(recorded: Path, change: str) -> None:
    alter(recorded, change)
    with pytest.raises(LogbookError) as caught:
        read_all(recorded)
    assert "run 1" in str(caught.value)


def test_rows_that_overlap_do_not_fill_the_memory(recorded: Path) -> None:
    blob = codec.encode(np.zeros(codec.LARGEST_BLOCK_SCANS, "<u2"))
    with closing(sqlite3.connect(recorded)) as db:
        db.execute("DELETE FROM block")
        db.executemany(
            "INSERT INTO block (run, scan_group, position, first, scans, encoding, base, crc32, data)"
            " VALUES (1, 0, ?, ?, ?, ?, ?, ?, ?)",
            [
                (p, first, codec.LARGEST_BLOCK_SCANS, blob.encoding, blob.base, blob.crc32, blob.data)
                for first in range(500)
                for p in range(4)
            ],
        )
        db.commit()
    with Logbook(recorded) as book, pytest.raises(DamagedBlockError, match="missing or stored twice"):
        list(book.run(1).codes(0, 0, 1 << 40))


def test_one_damaged_block_leaves_the_others_readable(
    path: Path, start: StartRun, writer: LogbookWriter, pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start()
    codes = pump_codes(3000)
    for at in (0, 1000, 2000):
        run.append(ScanBlock(0, at, codes[at : at + 1000]))
        run.merge(force=True)
    writer.write([("UPDATE block SET crc32 = 0 WHERE first = 1000 AND position = 2", ())])
    with Logbook(path) as book:
        reader = book.run(1)
        with pytest.raises(DamagedBlockError, match=r"run 1, group 0, 1000 scans from 1000: .* checksum"):
            list(reader.codes(0, 0, 3000))
        assert np.array_equal(next(reader.codes(0, 0, 1000))[1], codes[:1000])
        assert np.array_equal(reader.latest(0, 1000)[1], codes[2000:])
        assert next(reader.codes(0, 0, 3000, ["iu"]))[1].shape == (3000, 1)


def test_a_value_too_large_is_not_read(recorded: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "LARGEST_VALUE_BYTES", 1_000_000)
    alter(recorded, "UPDATE run SET bench_text = zeroblob(1100000)")
    with Logbook(recorded) as book, pytest.raises(LogbookError, match="too big"):
        book.run(1).row  # noqa: B018


def test_a_torn_file_is_refused(recorded: Path) -> None:
    data = recorded.read_bytes()
    recorded.write_bytes(data[: 8192 * 5] + bytes(len(data) - 8192 * 5))
    with pytest.raises(LogbookError, match=r"damaged|expected"):
        read_all(recorded)


def test_text_that_is_no_utf8_and_json_that_is_none(recorded: Path) -> None:
    alter(recorded, "UPDATE run SET name = CAST(x'61ff62' AS TEXT), summary = '{'", "DELETE FROM health")
    alter(recorded, """INSERT INTO health VALUES (1, 5.0, '{"a": "\\ud800"}')""")
    with Logbook(recorded) as book:
        assert book.run(1).row.name == "a\ufffdb"
        assert book.run(1).row.summary == {}
        health = book.run(1).health()
        assert health is not None
        health.figures["a"].encode()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 3 MB."""
    place = tmp_path / "small"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(place)]
    try:
        subprocess.run(command, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("needs the right to mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def fill(writer: LogbookWriter, run: Any) -> int:
    """Record until the disk is full; how many scans were committed by then."""
    codes = np.random.default_rng(1).integers(0, 65536, (1000, 4), dtype=np.uint16).astype("<u2")
    for number in range(2000):
        run.append(ScanBlock(0, number * 1000, codes))
        try:
            run.merge(force=number % 20 == 19)
        except DiskFullError:
            return number * 1000
    raise AssertionError("the disk never filled up")


def test_a_full_disk_keeps_what_was_committed(small_disk: Path, start: StartRun) -> None:
    path = small_disk / "x.db"
    with LogbookWriter(path, floor_bytes=0) as writer:
        run = start(on=writer)
        kept = fill(writer, run)
    assert kept > 10_000
    with Logbook(path) as book:
        reader = book.run(1)
        assert reader.row.state == "recovered"
        assert reader.scans_stored(0) == kept
        assert sum(len(codes) for _, codes in reader.codes(0, 0, 1 << 40)) == kept
        assert book.select("PRAGMA integrity_check") == [("ok",)]


def test_a_full_database_keeps_what_was_committed_and_goes_on_when_there_is_room(
    path: Path, writer: LogbookWriter, start: StartRun
) -> None:
    run = start()
    writer.select("PRAGMA max_page_count = 300")
    kept = fill(writer, run)
    with Logbook(path) as book:
        assert book.run(1).scans_stored(0) == kept
        writer.select("PRAGMA max_page_count = 100000")
        run.commit()
        assert book.run(1).scans_stored(0) == kept + 1000
        run.finish("error", 1.0)
        assert book.run(1).row.state == "failed"
        assert book.select("PRAGMA integrity_check") == [("ok",)]


def test_recording_stops_before_the_last_bytes_are_gone(path: Path, start: StartRun) -> None:
    writer = LogbookWriter(path)
    run = start(on=writer)
    run.append(ScanBlock(0, 0, np.zeros((10, 4), "<u2")))
    writer._floor_bytes = 1 << 60
    writer._checkpointed_s = float("-inf")
    with pytest.raises(DiskFullError, match=r"stopped before the disk is full: .* MB are to stay free"):
        run.commit()
    with pytest.raises(DiskFullError):
        start(on=writer)
    run.finish("error", 1.0)
    writer.close()
    with Logbook(path) as book:
        assert [(r.number, r.state) for r in book.runs()] == [(1, "failed")]
        assert book.run(1).scans_stored(0) == 10


@pytest.fixture
def as_read_only(tmp_path: Path) -> Iterator[Callable[[Path], Path]]:
    """Shows a folder once more, as read-only media."""
    place = tmp_path / "disc"
    place.mkdir()

    def mount(folder: Path) -> Path:
        try:
            subprocess.run(["mount", "--bind", str(folder), str(place)], check=True, capture_output=True)
            subprocess.run(["mount", "-o", "remount,bind,ro", str(place)], check=True, capture_output=True)
        except (OSError, subprocess.CalledProcessError):
            pytest.skip("needs the right to mount")
        return place

    yield mount
    subprocess.run(["umount", "-l", str(place)], check=False, capture_output=True)


def test_read_only_media_are_read(
    recorded: Path, as_read_only: Callable[[Path], Path], pump_codes: Callable[..., np.ndarray]
) -> None:
    read_only_copy = as_read_only(recorded.parent) / recorded.name
    with Logbook(read_only_copy) as book:
        assert book.warnings == ()
        assert np.array_equal(book.run(1).latest(0, 5000)[1], pump_codes(5000))
    with pytest.raises(LogbookError, match="cannot be opened"):
        LogbookWriter(read_only_copy).start_run(
            name="",
            bench_name="",
            bench_text="",
            bench_path="",
            version="",
            port="",
            wire="",
            started_wall_s=1.0,
        )


def test_read_only_media_without_the_newest_scans_say_so(
    tmp_path: Path, writer: LogbookWriter, start: StartRun, as_read_only: Callable[[Path], Path]
) -> None:
    run = start()
    run.append(ScanBlock(0, 0, np.zeros((10, 4), "<u2")))
    run.commit()
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    run.append(ScanBlock(0, 10, np.zeros((10, 4), "<u2")))
    run.commit()
    copies = tmp_path / "copies"
    copies.mkdir()
    for name in ("pump.db", "pump.db-wal"):
        shutil.copy(tmp_path / name, copies / name)
    with Logbook(as_read_only(copies) / "pump.db") as book:
        assert "pump.db-wal) cannot be read" in book.warnings[0]
        assert book.run(1).scans_stored(0) == 10
        assert book.run(1).row.state == "recovered"


def test_reading_needs_no_heavy_libraries() -> None:
    heavy = ("soundfile", "zstandard", "sqlite_utils", "filelock")
    code = f"import sys, livesense.logbook.reader; sys.exit(any(m in sys.modules for m in {heavy!r}))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

"""`verify` finds what is wrong, names it and nothing else."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import tracemalloc
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from whole_run import LOST, SCANS, begin, fast_codes, write_run

from livesense.logbook import codec
from livesense.logbook.findings import FIXES, MOST_ALIKE
from livesense.logbook.verify import Report, verify
from livesense.logbook.verify_group import ROWS_AT_ONCE
from livesense.logbook.writer import LogbookWriter
from livesense.samples import Gap, GapCause, ScanBlock

RECORDER = Path(__file__).with_name("killed_recorder.py")


def quiet(what: str, done: int, total: int) -> None:
    assert 0 <= done <= max(total, 0)


def check(path: Path, only: int | None = None) -> Report:
    return verify(path, only, quiet)


def told(path: Path) -> list[tuple[str, str]]:
    """Kind and place of each finding."""
    return [(finding.kind, finding.where) for finding in check(path).findings]


@pytest.fixture
def sound(path: Path, writer: LogbookWriter) -> Path:
    """A closed logbook with two whole runs."""
    write_run(writer)
    write_run(writer, name="other", seed_calibrations=False)
    writer.close()
    return path


def alter(path: Path, text: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as db:
        assert db.execute(text, values).rowcount > 0
        db.commit()


def flip(path: Path, table: str, where: str) -> None:
    """Change one bit in the middle of a blob."""
    with closing(sqlite3.connect(path)) as db:
        row_id, data = db.execute(f"SELECT id, data FROM {table} WHERE {where}").fetchone()
        changed = bytearray(data)
        changed[len(data) // 2] ^= 0x10
        db.execute(f"UPDATE {table} SET data = ? WHERE id = ?", (bytes(changed), row_id))
        db.commit()


def test_a_sound_logbook(sound: Path) -> None:
    before = sound.read_bytes()
    report = check(sound)
    assert (report.findings, report.total, report.unchecked) == ((), 0, ())
    assert [(c.run, c.state, c.scans, c.lost, c.wrong, c.open) for c in report.runs] == [
        (1, "complete", SCANS + 2100, LOST, 0, False),
        (2, "complete", SCANS + 2100, LOST, 0, False),
    ]
    with closing(sqlite3.connect(sound)) as db:
        blocks, pages = (
            db.execute(f"SELECT count(*) FROM {t} WHERE run = 1").fetchone()[0] for t in ("block", "pyramid")
        )
    assert (report.runs[0].blocks, report.runs[0].pages) == (blocks, pages) == (12 + 3 + 1, pages)
    assert pages > 12
    assert sound.read_bytes() == before


BLOCK = "run = 1 AND scan_group = 0 AND position = 1 AND first = 20000"
ONE = "run 1, group 0"
IV = f"{ONE}, iv"
PLACE = f"{IV}, scans 20000 to 39999"


@pytest.mark.parametrize(
    ("where", "place"),
    [
        (BLOCK, PLACE),
        ("run = 2 AND scan_group = 1 AND position = 0", "run 2, group 1, t_sink, scans 0 to 1199"),
        ("run = 2 AND scan_group = 1 AND position = 2", "run 2, group 1, t_us, scans 0 to 1199"),
        ("run = 1 AND scan_group = 2", "run 1, group 2, speed, scans 0 to 899"),
    ],
)
def test_a_flipped_bit_in_a_block(sound: Path, where: str, place: str) -> None:
    flip(sound, "block", where)
    # Sums over codes that cannot be read are not called wrong.
    assert told(sound) == [("damaged", place)]
    assert [c.wrong for c in check(sound).runs] == [
        int(place.startswith("run 1")),
        int(place.startswith("run 2")),
    ]


PAGE = "run = 1 AND scan_group = 0 AND position = 3 AND level = 1 AND first = 32768"
PAGE_PLACE = f"{ONE}, vbus, scans 32768 to 65535"


@pytest.mark.parametrize(
    ("change", "findings"),
    [
        (f"UPDATE block SET crc32 = crc32 + 1 WHERE {BLOCK}", [("damaged", PLACE)]),
        (f"UPDATE block SET data = 'text' WHERE {BLOCK}", [("damaged", PLACE)]),
        (f"UPDATE block SET scans = 19999 WHERE {BLOCK}", [("damaged", f"{IV}, scans 20000 to 39998")]),
        (f"UPDATE block SET scans = 0 WHERE {BLOCK}", [("damaged", ONE), ("missing", PLACE)]),
        (f"UPDATE block SET scans = 'many' WHERE {BLOCK}", [("damaged", ONE), ("missing", PLACE)]),
        (f"UPDATE block SET first = 'zero' WHERE {BLOCK}", [("missing", PLACE), ("damaged", ONE)]),
        (f"DELETE FROM block WHERE {BLOCK}", [("missing", PLACE)]),
        (
            "DELETE FROM block WHERE run = 1 AND scan_group = 0 AND first = 20000",
            [("unaccounted", f"{ONE}, scans 20000 to 39999"), ("count", ONE)],
        ),
        (
            "DELETE FROM block WHERE run = 1 AND scan_group = 0 AND first = 0",
            [("unaccounted", f"{ONE}, scans 0 to 19999"), ("count", ONE)],
        ),
        (
            "INSERT INTO block (run, scan_group, position, first, scans, encoding, base, crc32, data)"
            " SELECT run, scan_group, position, first, scans, encoding, base, crc32, data FROM block"
            f" WHERE {BLOCK}",
            [("overlap", PLACE)],
        ),
        (
            "UPDATE block SET first = first - 50 WHERE run = 1 AND scan_group = 0 AND first = 20000",
            [
                ("overlap", f"{ONE}, scans 19950 to 19999"),
                ("unaccounted", f"{ONE}, scans 39950 to 39999"),
            ],
        ),
        (
            "DELETE FROM gap WHERE run = 1",
            [("unaccounted", f"{ONE}, scans 40000 to 40099"), ("count", ONE)],
        ),
        (
            "UPDATE gap SET scans = 99 WHERE run = 1",
            [("unaccounted", f"{ONE}, scan 40099"), ("count", ONE)],
        ),
        (
            "UPDATE gap SET first = 39990 WHERE run = 1",
            [("gap", f"{ONE}, scans 39990 to 39999"), ("unaccounted", f"{ONE}, scans 40090 to 40099")],
        ),
        (
            "UPDATE gap SET scans = -1 WHERE run = 1",
            [
                ("gap", f"{ONE}, scan 40000"),
                ("unaccounted", f"{ONE}, scans 40000 to 40099"),
                ("count", ONE),
            ],
        ),
        (f"DELETE FROM pyramid WHERE {PAGE}", [("pyramid", PAGE_PLACE)]),
        (f"UPDATE pyramid SET entries = entries - 1 WHERE {PAGE}", [("pyramid", PAGE_PLACE)]),
        (f"UPDATE pyramid SET data = 'text' WHERE {PAGE}", [("pyramid", PAGE_PLACE)]),
        (
            "UPDATE pyramid SET data ="
            f" (SELECT data FROM pyramid WHERE {PAGE.replace('position = 3', 'position = 2')})"
            f" WHERE {PAGE}",
            [("pyramid", PAGE_PLACE)],
        ),
        (
            "INSERT INTO pyramid (run, scan_group, position, level, first, entries, data)"
            f" SELECT run, scan_group, position, level, 65536, entries, data FROM pyramid WHERE {PAGE}",
            [("pyramid", ONE)],
        ),
        (
            """UPDATE run SET summary = '{"groups": [{"group": 1, "scans_stored": 1201}, {"group": 5}]}'"""
            " WHERE number = 1",
            [("count", "run 1, group 1"), ("count", "run 1")],
        ),
        ("UPDATE event SET end_scan = 60100 WHERE run = 1 AND number = 1", [("extent", ONE)]),
        ("UPDATE event SET start_scan = -1 WHERE run = 1 AND number = 1", [("extent", ONE)]),
        ("UPDATE event SET end_scan = 10 WHERE run = 1 AND number = 1", [("extent", ONE)]),
        ("UPDATE restart SET scan = 60101 WHERE run = 1", [("extent", ONE)]),
        ("UPDATE segment SET first = 70000 WHERE run = 1 AND first > 0", [("extent", ONE)]),
        (
            "UPDATE gap SET scan_group = 7 WHERE run = 1",
            [("unaccounted", f"{ONE}, scans 40000 to 40099"), ("reference", "run 1"), ("count", ONE)],
        ),
        (
            "UPDATE block SET position = 9 WHERE run = 1 AND scan_group = 2",
            [("pyramid", "run 1, group 2"), ("reference", "run 1, group 2"), ("count", "run 1, group 2")],
        ),
        ("UPDATE revision SET calibrations = '[1, 77]' WHERE run = 1", [("reference", "run 1")] * 2),
        ("UPDATE calibration_point SET calibration = 99 WHERE id = 1", [("reference", "")]),
        ("UPDATE scan_group SET held_as = '<i4' WHERE run = 1 AND number = 0", [("file", "run 1")]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(sound: Path, change: str, findings: list[tuple[str, str]]) -> None:
    alter(sound, change)
    assert told(sound) == findings


def test_a_sound_block_of_another_length(sound: Path) -> None:
    short = codec.encode(fast_codes(20_000, 20_000)[:-1, 1])
    alter(
        sound,
        f"UPDATE block SET scans = 19999, encoding = ?, base = ?, crc32 = ?, data = ? WHERE {BLOCK}",
        *(short.encoding, short.base, short.crc32, short.data),
    )
    assert told(sound) == [("missing", PLACE)]
    assert "expected a block of 20000 scans like those of the other channels" in check(sound).findings[0].text


def test_rows_without_their_run(sound: Path) -> None:
    alter(sound, "DELETE FROM run WHERE number = 1")
    found = check(sound)
    assert {(f.kind, f.run) for f in found.findings} == {("leftover", 1)}
    assert "16 rows of the table block" in " ".join(f.text for f in found.findings)
    assert "livesense compact" in found.findings[0].fix
    assert [c.run for c in found.runs] == [2]


def test_a_page_of_the_file_overwritten(sound: Path) -> None:
    data = bytearray(sound.read_bytes())
    with closing(sqlite3.connect(sound)) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'gap_place'").fetchone()
    data[(root - 1) * 8192 : root * 8192] = b"\x07" * 8192
    sound.write_bytes(data)
    found = check(sound)
    assert "file" in {f.kind for f in found.findings}


def test_an_index_that_does_not_fit_its_table(sound: Path) -> None:
    with closing(sqlite3.connect(sound)) as db:
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET sql = replace(sql, 'first', 'wall_s') WHERE name = 'gap_place'")
        db.commit()
    found = check(sound).findings
    assert found[0].kind == "file"
    assert "SQLite's own check: " in found[0].text
    assert "gap_place" in found[0].text


def test_only_one_run(sound: Path) -> None:
    flip(sound, "block", BLOCK)
    assert check(sound, 2).findings == ()
    assert [c.run for c in check(sound, 2).runs] == [2]
    assert "--run" in check(sound, 2).unchecked[0]
    assert len(check(sound, 1).findings) == 1


def test_a_block_stored_twice_where_two_queries_meet(path: Path, writer: LogbookWriter) -> None:
    run = begin(writer, "many")
    for at in range(0, 400 * ROWS_AT_ONCE, 400):
        run.append(ScanBlock(0, at, fast_codes(at, 400)))
        run.merge(force=True)
    run.finish("time", 1.0)
    writer.close()
    columns = "run, scan_group, position, first, scans, encoding, base, crc32, data"
    last = 400 * (ROWS_AT_ONCE - 1)
    alter(
        path,
        f"INSERT INTO block ({columns}) SELECT {columns} FROM block WHERE position = 1 AND first = {last}",
    )
    assert told(path) == [("overlap", f"{IV}, scans {last} to {last + 399}")]


def test_many_findings_of_a_sort_are_counted(path: Path, writer: LogbookWriter) -> None:
    run = begin(writer, "many")
    for at in range(0, 30_000, 300):
        run.append(ScanBlock(0, at, fast_codes(at, 300)))
        run.merge(force=True)
    run.finish("time", 1.0)
    writer.close()
    alter(path, "UPDATE block SET crc32 = 0 WHERE position = 0")
    report = check(path)
    assert (report.total, len(report.findings)) == (100, MOST_ALIKE)


def test_every_kind_has_its_fix() -> None:
    assert all(text and text == text.strip() for text in FIXES.values())


def test_a_run_that_was_cut_off_has_its_tail_checked(path: Path, writer: LogbookWriter) -> None:
    run = begin(writer, "cut")
    run.append(ScanBlock(0, 0, fast_codes(0, 40_000)))
    run.merge(force=True)
    run.append(ScanBlock(0, 40_010, fast_codes(40_010, 500)))
    run.append(ScanBlock(1, 0, np.ones((50, 2), "<i4"), np.arange(50)))
    run.gap(Gap(0, 40_000, 10, GapCause.HOST))
    # A gap may be the last that was written.
    run.gap(Gap(0, 40_510, 5, GapCause.WIRE))
    writer.close()
    report = check(path)
    assert report.findings == ()
    assert (report.runs[0].state, report.runs[0].scans, report.runs[0].lost) == ("recovered", 40_550, 15)
    alter(path, "UPDATE tail SET codes = zeroblob(length(codes)) WHERE scan_group = 0")
    assert told(path) == [("damaged", f"{ONE}, scans 40010 to 40509")]
    alter(path, "UPDATE tail SET clock = x'00' WHERE scan_group = 1")
    assert told(path)[1:] == [("damaged", "run 1, group 1, scans 0 to 49")]
    alter(path, "DELETE FROM tail WHERE scan_group = 0")
    assert told(path)[0] == ("unaccounted", f"{ONE}, scans 40010 to 40509")


@pytest.mark.slow
def test_beside_a_recorder_nothing_is_called_wrong(path: Path) -> None:
    child = subprocess.Popen([sys.executable, str(RECORDER), str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    with child.stdout:
        for _ in range(60):
            child.stdout.readline()
        for _ in range(4):
            report = check(path)
            assert report.findings == ()
            assert [(c.state, c.open) for c in report.runs] == [("recording", True)]
            assert report.runs[0].blocks > 0
            assert "being recorded" in report.unchecked[0]
            for _ in range(20):
                child.stdout.readline()
        child.kill()
        child.stdout.read()
    child.wait()
    report = check(path)
    assert report.findings == ()
    assert [(c.state, c.open) for c in report.runs] == [("recovered", False)]


def test_blocks_that_come_between_two_looks_are_not_called_wrong(path: Path, writer: LogbookWriter) -> None:
    run = begin(writer, "on")
    at = 0

    def record(what: str, done: int, total: int) -> None:
        nonlocal at
        run.append(ScanBlock(0, at, fast_codes(at, 400)))
        run.gap(Gap(0, at + 400, 100, GapCause.HOST))
        run.merge(force=True)
        at += 500

    # More than are read at once, so that some are written between the first channel's query and the next.
    for _ in range(20):
        record("", 0, 0)
    assert verify(path, None, record).findings == ()
    assert at > 22 * 500


def test_damage_is_found_beside_a_recorder(path: Path, writer: LogbookWriter) -> None:
    run = begin(writer, "on")
    for at in (0, 20_000):
        run.append(ScanBlock(0, at, fast_codes(at, 20_000)))
        run.merge(force=True)
    writer.write([("UPDATE block SET crc32 = 0 WHERE position = 1 AND first = 0", ())])
    assert told(path) == [("damaged", f"{ONE}, iv, scans 0 to 19999")]


def test_a_stop_is_heeded(sound: Path) -> None:
    for after in range(6):
        left = after

        def stop(what: str, done: int, total: int) -> None:
            nonlocal left
            if not left:
                raise KeyboardInterrupt
            left -= 1

        with pytest.raises(KeyboardInterrupt):
            verify(sound, None, stop)


def test_memory_does_not_grow_with_the_run(tmp_path: Path) -> None:
    peaks = []
    for number, blocks in enumerate((20, 120)):
        path = tmp_path / f"{number}.db"
        with LogbookWriter(path) as writer:
            run = begin(writer, "long")
            for at in range(0, blocks * 4000, 4000):
                run.append(ScanBlock(0, at, fast_codes(at, 4000)))
                run.merge(force=True)
            run.finish("time", 1.0)
        check(path)
        tracemalloc.start()
        check(path)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.5 * peaks[0]

"""Zeros, scales, their points, and the revisions that use them."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from livesense.errors import LogbookError
from livesense.logbook.calibrations import of_other_boards
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import CalibrationRow, PointRow, RevisionRow
from livesense.logbook.writer import LogbookWriter
from livesense.samples import Event

StartRun = Callable[..., Any]
Read = Callable[[], Logbook]

BENCH = "coolant pump, 24 V"
ZERO = CalibrationRow(0, 10.0, "zero", BENCH, "A3", "pump", "iu", 2047.5, 0.01, 40_000)
SCALE = replace(
    ZERO, kind="scale", unit="A", per_code=0.008, u_relative=1e-4, pivot=3.0, u_pivot=0.001, scans=5,
    details={"meters": [{"meter": "m", "u_relative": 1e-3, "u_offset": 0.0}]},
)  # fmt: skip
POINT = PointRow(0, 5.0, BENCH, "A3", "pump", "iu", 1.0, "A", 2171.5, 0.02, 40_000, "m", 5e-4, 0.0, 1e-4)
BOARDS = {"iu": "A3", "iv": "A3"}
REVISION = RevisionRow(0, 5.0, "wrong shunt", "me", "[bench]\n", "pump.toml", (2, 1), "0.1", None)


def codes(rows: list[CalibrationRow]) -> list[tuple[str, str, float]]:
    return sorted((row.channel, row.kind, row.zero_code) for row in rows)


def test_the_newest_of_each_channel_and_kind_is_found(writer: LogbookWriter, read: Read) -> None:
    numbers = writer.add_calibrations(
        [
            ZERO,
            replace(ZERO, wall_s=20.0, zero_code=2050.5),
            replace(ZERO, wall_s=15.0, zero_code=1.0, bench_name="another"),
            replace(ZERO, wall_s=1000.0, zero_code=3.0),
            replace(ZERO, channel="iv"),
            SCALE,
        ]
    )
    assert numbers == [1, 2, 3, 4, 5, 6]
    found = read().calibrations(BENCH, BOARDS, 100.0)
    assert codes(found) == [("iu", "scale", 2047.5), ("iu", "zero", 2050.5), ("iv", "zero", 2047.5)]
    assert codes(read().calibrations(BENCH, {"iu": "A3"}))[1] == ("iu", "zero", 3.0)
    assert read().calibrations("nobody's", BOARDS) == []
    assert replace(next(row for row in found if row.kind == "scale"), number=0) == SCALE


def test_a_calibration_belongs_to_its_board(writer: LogbookWriter, read: Read) -> None:
    writer.add_calibrations([ZERO, replace(ZERO, board="", wall_s=20.0), replace(ZERO, channel="iv")])
    assert [row.wall_s for row in read().calibrations(BENCH, {"iu": "A3"})] == [10.0]
    assert [row.wall_s for row in read().calibrations(BENCH, {"iu": ""})] == [20.0]
    assert read().calibrations(BENCH, {"iu": "B1"}) == []
    others = of_other_boards(read().select, BENCH, {"iu": "B1", "iv": "A3"})
    assert [(row.channel, row.board) for row in others] == [("iu", "")]
    assert of_other_boards(read().select, BENCH, {"iu": "A3"}) == []


def test_calibrations_are_kept_all_or_none(writer: LogbookWriter, read: Read) -> None:
    with pytest.raises(LogbookError):
        writer.add_calibrations([ZERO, replace(ZERO, zero_code=None)])  # type: ignore[arg-type]
    assert read().calibrations(BENCH, BOARDS) == []


def test_points_wait_until_a_scale_is_made_of_them(writer: LogbookWriter, read: Read) -> None:
    writer.add_points(
        [POINT, replace(POINT, value=2.0), replace(POINT, channel="iv"), replace(POINT, board="")]
    )
    waiting = read().waiting_points(BENCH, BOARDS)
    assert [(p.number, p.channel, p.value) for p in waiting] == [
        (1, "iu", 1.0),
        (2, "iu", 2.0),
        (3, "iv", 1.0),
    ]
    assert replace(waiting[0], number=0) == POINT
    writer.discard_points([2])
    (number,) = writer.add_calibrations([SCALE], {"iu": [1]})
    assert [p.number for p in read().waiting_points(BENCH, BOARDS)] == [3]
    assert writer.select("SELECT id, calibration FROM calibration_point ORDER BY id") == [
        (1, number),
        (3, None),
        (4, None),
    ]
    # What a scale was made of stays.
    writer.discard_points([1])
    assert len(writer.select("SELECT id FROM calibration_point")) == 3


def test_a_run_keeps_which_calibrations_it_used(start: StartRun, writer: LogbookWriter, read: Read) -> None:
    numbers = writer.add_calibrations([ZERO, SCALE])
    run = start()
    run.use_calibrations(numbers[:1], 11.0, "0.1")
    run.finish("time", 1.0)
    reader = read().run(1)
    assert codes(reader.calibration()) == [("iu", "zero", 2047.5)]
    assert [(r.number, r.calibrations, r.bench_text) for r in reader.revisions()] == [(0, (1,), "")]


EVENT = Event("overcurrent", "iu", 0, 0, 100, 200, 14.0, 150, False, 12.0, "A", "iu beyond 12 A")


def test_the_newest_revision_counts_until_it_is_undone(
    start: StartRun, writer: LogbookWriter, read: Read
) -> None:
    writer.add_calibrations([ZERO, SCALE])
    run = start()
    run.use_calibrations([1], 1.0, "0.1")
    run.open_event(EVENT)
    run.finish("time", 1.0)
    reader = read().run(1)

    def seen() -> tuple[int, list[float], int, int]:
        reader.refresh()
        events = [row.event.peak for row in reader.events()]
        assert [row.event.peak for row in reader.events_page(0, 10)] == events
        return reader.revision(), events, reader.row.events, read().runs()[0].events

    assert seen() == (0, [14.0], 1, 1)
    assert writer.add_revision(1, REVISION, []) == 1
    # None is as good a number of events as any.
    assert seen() == (1, [], 0, 0)
    assert codes(reader.calibration()) == [("iu", "scale", 2047.5), ("iu", "zero", 2047.5)]
    assert writer.add_revision(1, REVISION, [replace(EVENT, peak=13.0), replace(EVENT, peak=-15.0)]) == 2
    assert seen() == (2, [13.0, -15.0], 2, 2)
    writer.undo_revision(1, 2, 9.0)
    assert seen() == (1, [], 0, 0)
    writer.undo_revision(1, 1, 9.5)
    writer.undo_revision(1, 0, 9.5)
    assert seen() == (0, [14.0], 1, 1)
    assert [e.event.peak for e in reader.events(2)] == [13.0, -15.0]
    # A number is never given twice.
    assert writer.add_revision(1, REVISION, [EVENT]) == 3
    assert [(r.number, r.undone_wall_s) for r in reader.revisions()] == [
        (0, None),
        (1, 9.5),
        (2, 9.0),
        (3, None),
    ]
    assert replace(reader.revisions()[-1], number=0) == REVISION


def test_a_revision_is_kept_with_its_events_or_not_at_all(
    start: StartRun, writer: LogbookWriter, read: Read
) -> None:
    start().finish("time", 1.0)
    with pytest.raises(AttributeError):
        writer.add_revision(1, REVISION, [EVENT, replace(EVENT, channel=None)])  # type: ignore[arg-type]
    assert read().run(1).revisions() == []
    assert read().run(1).events(1) == []


def test_a_run_that_is_deleted_takes_its_revisions_along(
    start: StartRun, writer: LogbookWriter, read: Read
) -> None:
    start().finish("time", 1.0)
    writer.add_revision(1, REVISION, [EVENT])
    writer.write([("DELETE FROM run WHERE number = 1", ())])
    assert writer.select("SELECT count(*) FROM revision") == [(0,)]


def test_what_a_revision_lists_may_be_damaged(
    start: StartRun, writer: LogbookWriter, read: Read, path: Path
) -> None:
    start().finish("time", 1.0)
    writer.add_revision(1, REVISION, [])
    for text in ("not json", '{"a": 1}', "[1, null]"):
        with sqlite3.connect(path) as connection:
            connection.execute("UPDATE revision SET calibrations = ?", (text,))
        connection.close()
        assert read().run(1).revisions()[0].calibrations == ((1,) if text.startswith("[") else ())
        assert read().run(1).calibration() == []


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("zero_code", "'many'"),
        ("zero_code", "9e999"),
        ("u_codes", "x'00'"),
        ("channel", "x'ff'"),
        ("per_code", "'x'"),
    ],
)
def test_damaged_calibrations_are_refused_by_number(
    writer: LogbookWriter, read: Read, column: str, value: str
) -> None:
    writer.add_calibrations([SCALE])
    writer.write([(f"UPDATE calibration SET {column} = {value}", ())])
    with pytest.raises(LogbookError, match=f"damaged logbook: calibration 1 holds .* as its {column}"):
        read().calibrations_numbered([1])

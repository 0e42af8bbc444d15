"""Looking at a run costs no more when it has grown: totals are carried on, lists have an end."""

import numpy as np
import pytest

from livesense.errors import DiskFullError
from livesense.logbook import connection as db
from livesense.samples import Event, Gap, GapCause, LinkFault, ScanBlock


def event(start, end, group=0):
    return Event("overcurrent", "iu", group, 0, start, end, 14.0, start, False, 12.0, "A", "", 0, False)


def test_scans_lost_are_carried_on_exactly(start, read):
    run = start()
    book = read()
    seen = book.run(1)
    lost = 0
    for first, count, cause in [
        (10, 5, GapCause.WIRE), (20, None, GapCause.OUTAGE), (20, 7, GapCause.WIRE),
        (40, 9, GapCause.BURST), (60, 1, GapCause.WIRE),
    ]:  # fmt: skip
        run.gap(Gap(0, first, count, cause))
        run.commit()
        lost += count if count and cause is not GapCause.BURST else 0
        assert seen.scans_lost(0) == seen.scans_lost(0) == book.run(1).scans_lost(0) == lost


def test_faults_are_carried_on_exactly(start, read):
    run = start()
    seen = read().run(1)
    assert seen.fault_counts() == {}
    for second, count in [(100, 1), (100, 2), (150, 3), (149, 4)]:
        run.fault(LinkFault("crc", count), float(second))
        run.commit()
        assert seen.fault_counts() == read().run(1).fault_counts()
    assert seen.fault_counts() == {"crc": 10}


def test_the_newest_events_and_those_still_open(start, read):
    run = start()
    for number in range(20):
        # Every other event is of a slow group, whose scans count in small numbers.
        run.open_event(event(number if number % 2 else 1000 * number, None if number == 3 else 50_000))
    run.commit()
    found = read().run(1).events(newest=4)
    assert {row.number for row in found} == {3, 16, 17, 18, 19}
    assert [row.event.start_scan for row in found] == sorted(row.event.start_scan for row in found)


def test_gaps_are_counted_and_listed_up_to_a_number(start, read):
    run = start()
    for number in range(30):
        run.gap(Gap(0, 10 * number, 2, GapCause.WIRE))
    run.commit()
    seen = read().run(1)
    assert seen.gap_count() == 30
    assert [gap.first for gap in seen.gaps(most=3)] == [0, 10, 20]


def test_runs_being_recorded_are_found_behind_newer_ones(start, read):
    book = read()
    assert (book.recordings(), book.last()) == ([], None)
    start()
    start()
    start().finish("time", 1.0)
    assert (book.recordings(), book.last()) == ([2, 1], 3)


def test_the_newest_run_with_scans_is_found_behind_those_without(start, read):
    book = read()
    assert book.last_with_scans() is None
    first = start()
    first.append(ScanBlock(0, 0, np.zeros((100, 4), "<u2")))
    first.commit()
    first.finish("time", 1.0)
    start().finish("time", 1.0)
    start()
    assert (book.last(), book.last_with_scans()) == (3, 1)


def test_the_free_space_is_looked_at_when_much_was_written_at_once(start, writer, monkeypatch):
    run = start()
    run.append(ScanBlock(0, 0, np.random.default_rng(1).integers(0, 4096, (400_000, 4), "<u2")))
    monkeypatch.setattr(db, "free_bytes", lambda path: 1000)
    with pytest.raises(DiskFullError):
        run.commit()
    run.finish("error", 1.0)

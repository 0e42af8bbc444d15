"""A look takes as many statements, however long the run has grown and however many runs there are."""

import numpy as np
import pytest
from plain_device import bench_text

from dashboard.live import Live
from dashboard.pictures import View
from dashboard.reading import Reading
from dashboard.run_data import events_page
from livesense.logbook.rows import OutageRow, RevisionRow
from livesense.run_list import runs
from livesense.samples import Event, Gap, GapCause, LinkFault, ScanBlock, SegmentStart

CHANNELS = ("iu", "iv", "iw", "vbus")


@pytest.fixture
def live(path):
    reading = Reading(path)
    yield Live(reading, 1000.0)
    reading.close()


@pytest.fixture
def run(start, writer):
    writer.started = start(bench_text=bench_text(channels=CHANNELS))
    writer.started.commit()
    return writer.started


@pytest.fixture
def grow(run, pump_codes):
    """Give what adds a second with some of everything."""
    at = 0

    def once():
        nonlocal at
        run.segment(SegmentStart(0, at, at / 20000, 20000.0))
        run.append(ScanBlock(0, at, pump_codes(20000, at)))
        run.gap(Gap(0, at, 3, GapCause.WIRE))
        run.fault(LinkFault("crc", 2), 1000.0 + at / 20000)
        run.open_event(
            Event("overcurrent", "iu", 0, 0, at, at + 5, 14.0, at + 2, False, 12.0, "A", "", 0, False)
        )
        run.outage(OutageRow(1000.0 + at, 1000.5 + at, "gone"))
        run.merge(force=True)
        at += 20000

    return once


def live_look(live):
    live._measured_scans, live._measure_next = -1, float("-inf")
    # The thread that makes facts is left out: how often it turns is not told beforehand.
    facts = live._new_facts(1e6)
    assert facts["run"] == 1
    assert facts["event_count"] > 0
    assert any(tile["value"] is not None for tile in facts["tiles"])
    live._pictures._views.clear()
    assert live._pictures.newest(live._building, View(True, 0.2, 1200)) is not None


def list_runs(live):
    with live._reading.desk() as desk:
        assert desk.logbook.runs()[-1].seconds >= 1.0
        assert runs(desk.logbook)


def read_events(live):
    with live._reading.desk() as desk:
        assert events_page(desk.run(1), 0, 50)["count"] > 0


def run_events(read):
    return [row.event for row in read().run(1).events()]


@pytest.mark.parametrize("look", [live_look, list_runs, read_events])
def test_statements_of_a_look_do_not_grow_with_the_run(live, grow, look):
    def statements():
        with live._reading.desk() as desk:
            made = []
            desk.logbook._connection.set_trace_callback(made.append)
        # Once more, so that what only the first look reads is not counted.
        look(live)
        made.clear()
        look(live)
        assert made
        return len(made)

    grow()
    grow()
    short = statements()
    for _ in range(20):
        grow()
    assert statements() == short


def test_statements_of_the_list_do_not_grow_with_the_runs(live, grow, start, read):
    grow()
    book = read()
    made = []
    book._connection.set_trace_callback(made.append)
    assert len(runs(book)) == 1
    few = len(made)
    for _ in range(30):
        start(bench_text=bench_text(channels=CHANNELS)).finish("time", 1.0)
    made.clear()
    assert len(runs(book)) == 31
    assert len(made) == few < 10


def test_the_list_tells_of_each_run_what_the_run_tells_itself(start, read, grow, run, group, writer):
    grow()
    grow()
    run.gap(Gap(0, 40_000, 7, GapCause.BURST))
    run.gap(Gap(0, 40_000, None, GapCause.OUTAGE))
    run.finish("error", 5.0, {"ended": "error"})
    event = run_events(read)[0]
    writer.add_revision(1, RevisionRow(0, 5.0, "wrong shunt", "", "", "", (), "0.1", None), [event])
    two = start([group(), group(channels=("t_sink", "vbus2"), clock="ticks")], counted=[False, False])
    two.gap(Gap(1, 0, 9, GapCause.WIRE))
    two.append(ScanBlock(1, 50, np.zeros((10, 2), "<u2"), np.arange(10)))
    two.commit()
    start([group()]).finish("time", 1.0)
    book = read()
    listed = book.runs()
    assert listed == [book.run(number).row for number in (3, 2, 1)]
    assert [(row.seconds, row.events, row.scans_lost, row.state) for row in listed] == [
        (0.0, 0, 0, "complete"),
        (pytest.approx(60 / 20000), 0, None, "recording"),
        (pytest.approx(2.0), 1, 6, "failed"),
    ]
    assert listed[1].channels == (*CHANNELS, "t_sink", "vbus2")
    assert book.outages() == {1: book.run(1).outages()}


def test_segments_and_events_are_carried_on_exactly(read, grow, run, writer):
    seen = read().run(1)
    for count in (1, 2, 3):
        grow()
        seen.refresh()
        fresh = read().run(1)
        assert len(seen.segments(0)) == count
        assert (seen.segments(0), seen.row.events) == (fresh.segments(0), fresh.row.events)
    # The newest segment may be renewed.
    run.segment(SegmentStart(0, 40000, 2.5, 10000.0))
    run.commit()
    assert seen.segments(0)[-1] == SegmentStart(0, 40000, 2.5, 10000.0)
    assert seen.segments(0) == read().run(1).segments(0)
    event = run_events(read)[0]
    writer.add_revision(1, RevisionRow(0, 5.0, "wrong shunt", "", "", "", (), "0.1", None), [event])
    seen.refresh()
    assert seen.row.events == read().run(1).row.events == 1

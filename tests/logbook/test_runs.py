"""What a recorder writes is what everyone reads."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livesense.errors import LogbookError, RunNotFoundError
from livesense.logbook import group_writer, requests
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import OutageRow, RevisionRow
from livesense.logbook.run_reader import RunReader
from livesense.logbook.stretches import BlockCache
from livesense.logbook.writer import LogbookWriter
from livesense.samples import (
    CodeType,
    Estimate,
    Event,
    FaultKind,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    Restart,
    ScanBlock,
    SegmentStart,
)

StartRun = Callable[..., Any]
Read = Callable[[], Logbook]
Codes = Callable[..., np.ndarray]


def stored(run: RunReader, group: int, first: int, stop: int, **more: Any) -> list[tuple[int, np.ndarray]]:
    """Pieces put together again."""
    out: list[tuple[int, np.ndarray]] = []
    for at, codes in run.codes(group, first, stop, **more):
        if out and out[-1][0] + len(out[-1][1]) == at:
            out[-1] = (out[-1][0], np.concatenate([out[-1][1], codes]))
        else:
            out.append((at, codes))
    return out


def test_scans_are_readable_at_once_and_stay_the_same(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    codes = pump_codes(30_000)
    for number, at in enumerate(range(0, 30_000, 1000)):
        run.append(ScanBlock(0, at, codes[at : at + 1000]))
        run.commit()
        if number == 12:
            run.merge(force=True)
    reader = read().run("last")
    ((first, found),) = stored(reader, 0, 0, 1 << 40)
    assert first == 0
    assert found.dtype == np.dtype("<u2")
    assert np.array_equal(found, codes)
    assert reader.extent(0) == (0, 30_000)
    assert reader.scans_stored(0) == 30_000
    run.finish("time", 1.0)
    assert np.array_equal(stored(reader, 0, 0, 30_000)[0][1], codes)
    assert reader.extent(0) == (0, 30_000)
    assert reader.scans_stored(0) == 30_000


def test_some_channels_of_a_window(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    codes = pump_codes(3000)
    run.append(ScanBlock(0, 0, codes[:2000]))
    run.merge(force=True)
    run.append(ScanBlock(0, 2000, codes[2000:]))
    run.commit()
    ((first, found),) = stored(read().run(1), 0, 1500, 2500, channels=["vbus", "iu"])
    assert first == 1500
    assert np.array_equal(found, codes[1500:2500][:, [3, 0]])


def test_stretches_end_at_gaps(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    codes = pump_codes(6000)
    for at, shift in ((0, 0), (2000, 7), (4000, 5_000_000)):
        run.append(ScanBlock(0, at + shift, codes[at : at + 2000]))
        run.merge(force=at == 2000)
    found = stored(read().run(1), 0, 0, 1 << 40)
    assert [at for at, _ in found] == [0, 2007, 5_004_000]
    assert np.array_equal(np.concatenate([c for _, c in found]), codes)


def test_what_is_handed_out_may_be_changed(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    codes = pump_codes(2000)
    run.append(ScanBlock(0, 0, codes))
    run.merge(force=True)
    reader = read().run(1)
    for _ in range(2):
        _, found = next(reader.codes(0, 0, 2000, ["iu"]))
        assert np.array_equal(found[:, 0], codes[:, 0])
        found += 1


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(1, 900), st.sampled_from([0, 0, 1, 500]), st.integers(0, 3)),
        min_size=1,
        max_size=12,
    ),
    st.integers(0, 4000),
    st.integers(1, 4000),
)
def test_any_window_over_blocks_and_tail(
    writer: LogbookWriter, start: StartRun, parts: list[tuple[int, int, int]], first: int, span: int
) -> None:
    run = start([GroupInfo(1000.0, CodeType.I16, None, ("a", "b"))])
    everything = np.full((30_000, 2), 99, np.int64)
    at = 0
    for count, gap, how in parts:
        codes = np.random.default_rng(at).integers(-50, 50, (count, 2)).astype("<i2")
        everything[at : at + count] = codes
        run.append(ScanBlock(0, at, codes))
        at += count + gap
        if how:
            run.merge(force=how == 2)
    run.commit()
    with Logbook(writer.path) as book:
        reader = book.run(run.number)
        back = np.full_like(everything, 99)
        for where, codes in reader.codes(0, first, first + span):
            assert where >= first
            assert where + len(codes) <= first + span
            back[where : where + len(codes)] = codes
        window = slice(first, first + span)
        assert np.array_equal(back[window], everything[window])
        newest, codes = reader.latest(0, span)
        assert newest + len(codes) == reader.extent(0)[1]
        assert len(codes) <= span
        assert np.array_equal(everything[newest : newest + len(codes)], codes)
        if len(codes) < span and newest > 0:
            assert everything[newest - 1, 0] == 99


def test_latest_before_anything_is_stored(start: StartRun, read: Read) -> None:
    start().commit()
    first, codes = read().run(1).latest(0, 100)
    assert (first, codes.shape) == (0, (0, 4))


def test_a_slow_group_is_merged_once_a_thousand_scans_came(
    start: StartRun,
    read: Read,
    monkeypatch: pytest.MonkeyPatch,
    pump_codes: Codes,
    group: Callable[..., GroupInfo],
) -> None:
    run = start([group(), GroupInfo(10.0, CodeType.U16, 12, ("t_sink", "state"))])
    monkeypatch.setattr(group_writer, "MERGE_S", 0.0)
    for at in range(0, 1200, 100):
        run.append(ScanBlock(0, at * 20, pump_codes(2000)))
        run.append(ScanBlock(1, at, pump_codes(100)[:, :2]))
        run.commit()
    book = read()
    blocks = book.select("SELECT scan_group, count(*), max(scans) FROM block WHERE position = 0 GROUP BY 1")
    assert blocks == [(0, 12, 2000), (1, 1, 1000)]
    assert book.run(1).scans_stored(1) == 1200


def test_a_long_stretch_goes_to_blocks_without_a_tail(start: StartRun, read: Read) -> None:
    run = start([GroupInfo(None, CodeType.U16, None, ("a",))])
    codes = np.arange(200_000, dtype="<u2")[:, None]
    run.append(ScanBlock(0, 0, codes))
    run.commit()
    book = read()
    assert book.select("SELECT count(*) FROM tail") == [(0,)]
    assert book.select("SELECT scans FROM block") == [(50_000,)] * 4
    assert np.array_equal(stored(book.run(1), 0, 0, 200_000)[0][1], codes)


def test_the_device_clock_is_kept(start: StartRun, read: Read) -> None:
    run = start([GroupInfo(1000.0, CodeType.TEXT, None, ("iu",), decimals=(3,), clock="t_us")])
    ticks = np.cumsum(np.random.default_rng(1).integers(990, 1010, 3000)) + (1 << 33)
    codes = np.arange(3000)[:, None]
    run.append(ScanBlock(0, 0, codes[:2000], ticks[:2000]))
    run.merge(force=True)
    run.append(ScanBlock(0, 2000, codes[2000:], ticks[2000:]))
    run.commit()
    reader = read().run(1)
    pieces = list(reader.clock(0, 1000, 2500))
    assert pieces[0][0] == 1000
    assert np.array_equal(np.concatenate([t for _, t in pieces]), ticks[1000:2500])
    assert np.array_equal(stored(reader, 0, 0, 3000)[0][1], codes)
    assert reader.groups[0].decimals == (3,)
    assert reader.groups[0].clock == "t_us"
    assert [(row.name, row.role, row.decimals) for row in reader.channel_rows()] == [
        ("iu", "code", 3),
        ("t_us", "clock", 0),
    ]


def test_a_clock_that_was_not_announced_is_kept_too(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    run.append(ScanBlock(0, 0, pump_codes(10), np.arange(10)))
    run.commit()
    run.append(ScanBlock(0, 10, pump_codes(10)))
    run.merge(force=True)
    reader = read().run(1)
    assert [row.role for row in reader.channel_rows()] == ["code"] * 4 + ["clock"]
    assert [(at, t.tolist()) for at, t in reader.clock(0, 0, 100)] == [(0, list(range(10)))]
    assert reader.scans_stored(0) == 20


def test_no_clock_gives_nothing(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    run.append(ScanBlock(0, 0, pump_codes(10)))
    run.commit()
    assert list(read().run(1).clock(0, 0, 10)) == []


@pytest.mark.parametrize(
    ("block", "message"),
    [
        (ScanBlock(7, 0, np.zeros((1, 4), "<u2")), "expected one of the groups"),
        (ScanBlock(0, 0, np.zeros((1, 3), "<u2")), r"expected codes of shape \(n, 4\)"),
        (ScanBlock(0, 0, np.zeros((1, 4), "<i4")), "type uint16"),
        (ScanBlock(0, 9, np.zeros((1, 4), "<u2")), "expected scan 10 or later, got 9"),
        (ScanBlock(0, 10, np.zeros((2, 4), "<u2"), np.zeros(1, np.int64)), "expected 2 clock ticks"),
    ],
)
def test_a_block_that_does_not_fit_is_refused(start: StartRun, block: ScanBlock, message: str) -> None:
    run = start()
    run.append(ScanBlock(0, 0, np.zeros((10, 4), "<u2")))
    with pytest.raises(ValueError, match=message):
        run.append(block)


def test_groups_are_told_once(start: StartRun, group: Callable[..., GroupInfo]) -> None:
    run = start()
    with pytest.raises(ValueError, match="has its groups already"):
        run.add_groups([group()])


def test_gaps_restarts_segments_and_rates(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    run.segment(SegmentStart(0, 0, 0.0, 20000.0))
    run.append(ScanBlock(0, 0, pump_codes(100)))
    run.gap(Gap(0, 100, 7, GapCause.WIRE), 12.5)
    run.gap(Gap(0, 200, 1000, GapCause.BURST))
    run.gap(Gap(0, np.int64(1300), np.int64(3), GapCause.OUTAGE), 13.0)  # type: ignore[arg-type]
    run.restart(Restart(0, 1303, 55, 0), 14.0)
    run.restart(Restart(None, 1303, None, None), None)
    run.segment(SegmentStart(0, 1303, 10.0, 10000.0))
    run.append(ScanBlock(0, 1303, pump_codes(101)))
    run.rate(0, 20000.0, Estimate(20000.0, 1.0, 2.0, "Hz"))
    run.rate(0, 20000.0, Estimate(20001.0, 0.5, 0.25, "Hz"))
    run.rate(0, 10000.0, Estimate(10002.0, 0.5, 0.25, "Hz"))
    run.commit()
    reader = read().run(1)
    assert [(g.first, g.count, g.cause, g.wall_s) for g in reader.gaps()] == [
        (100, 7, "wire", 12.5),
        (200, 1000, "burst", None),
        (1300, 3, "outage", 13.0),
    ]
    assert reader.gaps(1) == []
    assert reader.scans_lost(0) == 10
    assert reader.row.scans_lost == 10
    assert [(r.group, r.scan, r.last_counter, r.first_counter) for r in reader.restarts()] == [
        (0, 1303, 55, 0),
        (None, 1303, None, None),
    ]
    assert reader.segments(0) == [SegmentStart(0, 0, 0.0, 20000.0), SegmentStart(0, 1303, 10.0, 10000.0)]
    assert reader.time_axis(0).time_s(np.array([20, 1403])).tolist() == pytest.approx([0.001, 10.01])
    assert reader.rates() == {
        0: {20000.0: Estimate(20001.0, 0.5, 0.25, "Hz"), 10000.0: Estimate(10002.0, 0.5, 0.25, "Hz")}
    }
    assert reader.row.seconds == pytest.approx(10.0101)


def test_no_segment_means_the_nominal_rate_from_scan_0(
    start: StartRun, read: Read, pump_codes: Codes
) -> None:
    run = start()
    run.append(ScanBlock(0, 0, pump_codes(201)))
    run.commit()
    reader = read().run(1)
    assert reader.time_axis(0).segments == (SegmentStart(0, 0, 0.0, 20000.0),)
    assert reader.row.seconds == pytest.approx(201 / 20000)


def test_a_run_lasts_as_long_as_its_longest_group_not_as_the_wall_clock(
    start: StartRun, read: Read, pump_codes: Codes, group: Callable[..., GroupInfo]
) -> None:
    run = start(
        [group(), GroupInfo(10.0, CodeType.U16, 12, ("t_sink",)), GroupInfo(None, CodeType.U16, 12, ("x",))]
    )
    run.append(ScanBlock(0, 0, pump_codes(20_000)))
    run.append(ScanBlock(1, 0, pump_codes(31)[:, :1]))
    run.append(ScanBlock(2, 0, pump_codes(31)[:, :1]))
    run.finish("time", 9e9)
    assert read().run(1).row.seconds == pytest.approx(3.1)


def test_loss_that_cannot_be_counted(start: StartRun, read: Read, group: Callable[..., GroupInfo]) -> None:
    run = start(counted=False)
    run.gap(Gap(0, 10, None, GapCause.OUTAGE))
    run.commit()
    reader = read().run(1)
    assert reader.scans_lost(0) is None
    assert reader.row.scans_lost is None
    assert reader.gaps()[0].count is None
    run.finish("closed", 1.0)
    other = start([group(), group()], counted=[False, True])
    other.gap(Gap(1, 10, 4, GapCause.WIRE))
    other.gap(Gap(0, 10, None, GapCause.OUTAGE))
    other.commit()
    assert read().run(2).row.scans_lost == 4


def test_faults_are_kept_per_kind_and_second(start: StartRun, read: Read) -> None:
    run = start()
    for wall_s, kind, count in [(5.1, FaultKind.CRC, 1), (5.9, FaultKind.CRC, 2), (5.2, FaultKind.LENGTH, 1)]:
        run.fault(LinkFault(kind, count), wall_s)
    run.commit()
    run.fault(LinkFault(FaultKind.CRC), 5.95)
    run.fault(LinkFault(FaultKind.CRC), 6.0)
    run.commit()
    reader = read().run(1)
    assert [(f.wall_s, f.kind, f.count) for f in reader.faults()] == [
        (5, "crc", 4),
        (5, "length", 1),
        (6, "crc", 1),
    ]
    assert reader.fault_counts() == {"crc": 5, "length": 1}


def an_event(**more: Any) -> Event:
    values: dict[str, Any] = {
        "kind": "overcurrent",
        "channel": "iu",
        "group": 0,
        "rule": 0,
        "start_scan": 1000,
        "end_scan": None,
        "peak": -13.5,
        "peak_scan": 1010,
        "peak_at_least": False,
        "limit": 12.0,
        "unit": "A",
        "text": "iu beyond 12 A",
        "details": {"key": "0:iu:1000", "rms": np.float64(2.5), "odd": math.nan, "list": (1, 2)},
    }
    return Event(**(values | more))


def test_events_open_and_are_renewed(start: StartRun, read: Read) -> None:
    run = start()
    first = run.open_event(an_event())
    second = run.open_event(an_event(channel="iv", start_scan=500, end_scan=600))
    run.commit()
    reader = read().run(1)
    assert [e.event.channel for e in reader.events()] == ["iv", "iu"]
    assert reader.events()[1].event.end_scan is None
    run.update_event(
        first, an_event(end_scan=np.int64(2000), peak=16.5, peak_at_least=True, cut_short=True, lost_scans=3)
    )
    run.commit()
    row = reader.events()[1]
    assert (row.number, row.revision) == (first, 0)
    assert row.event == an_event(
        end_scan=2000,
        peak=16.5,
        peak_at_least=True,
        cut_short=True,
        lost_scans=3,
        details={"key": "0:iu:1000", "rms": 2.5, "odd": None, "list": [1, 2]},
    )
    assert second != first
    assert reader.row.events == 2


def a_revision(**more: Any) -> RevisionRow:
    return replace(RevisionRow(0, 5.0, "wrong shunt", "", "[bench]", "", (), "0.1", None), **more)


def test_a_later_revision_of_events_stands_beside_the_live_ones(
    start: StartRun, read: Read, writer: LogbookWriter
) -> None:
    run = start()
    run.open_event(an_event(end_scan=2000))
    run.open_event(an_event(end_scan=2000))
    run.commit()
    writer.add_revision(1, a_revision(), [an_event(end_scan=1990)])
    reader = read().run(1)
    assert [e.revision for e in reader.events()] == [1]
    assert [e.revision for e in reader.events(0)] == [0, 0]
    assert reader.row.events == 1


def test_events_are_read_page_by_page_without_a_hole(start: StartRun, read: Read) -> None:
    run = start()
    for number in range(25):
        run.open_event(an_event(start_scan=1000 * number))
    run.commit()
    reader = read().run(1)
    pages = [[row.number for row in reader.events_page(offset, 10)] for offset in (0, 10, 20, 30)]
    assert [len(page) for page in pages] == [10, 10, 5, 0]
    assert [number for page in pages for number in page] == [row.number for row in reader.events()]


def test_notes_outages_health_and_description(start: StartRun, read: Read) -> None:
    run = start()
    run.describe('{"livesense": 1, "device": "pump-bench"}')
    run.note("ramp done", 5.0, 77)
    run.note("new shunt fitted", 6.0, source="user")
    run.outage(OutageRow(10.0, None, "outage", None, "nothing-after"))
    run.outage(OutageRow(10.0, 12.5, "outage", 500, None))
    run.health(bytes=100, queue=np.float32(0.5), last_arrival_wall_s=5.5)
    run.health(bytes=np.int64(200), odd=math.inf)
    run.commit()
    reader = read().run(1)
    assert reader.description == '{"livesense": 1, "device": "pump-bench"}'
    assert reader.row.device == "pump-bench"
    assert [(n.text, n.scan, n.source) for n in reader.notes()] == [
        ("ramp done", 77, "device"),
        ("new shunt fitted", None, "user"),
    ]
    assert reader.outages() == [OutageRow(10.0, 12.5, "outage", 500, None)]
    health = reader.health()
    assert health is not None
    assert health.figures == {"bytes": 200, "queue": 0.5, "last_arrival_wall_s": 5.5, "odd": None}


@pytest.mark.parametrize("text", ["no JSON", '["list"]', '{"device": 5}', "[" * 100_000])
def test_a_description_may_be_anything(start: StartRun, read: Read, text: str) -> None:
    run = start()
    run.describe(text)
    run.commit()
    reader = read().run(1)
    assert (reader.description, reader.row.device) == (text, "")


NASTY = "x'; DROP TABLE run; --\x00\x1b[31m\n<b>\udcff\ud800 ½Ω 🙂"


def test_text_may_hold_anything(start: StartRun, read: Read) -> None:
    kept = "x'; DROP TABLE run; --\x00\x1b[31m\n<b>\\udcff\\ud800 ½Ω 🙂"
    run = start(name=NASTY, bench_name=NASTY, bench_text=NASTY, port=NASTY, wire=NASTY)
    run.note(NASTY, 1.0, source=NASTY)
    run.describe(NASTY, NASTY)
    run.open_event(an_event(text=NASTY, channel=NASTY, unit=NASTY, details={NASTY: NASTY}))
    run.health(text=NASTY)
    run.commit()
    reader = read().run(1)
    row = reader.row
    assert {row.name, row.bench_name, row.bench_text, row.port, row.wire, row.device} == {kept}
    assert reader.description == kept
    assert (reader.notes()[0].text, reader.notes()[0].source) == (kept, kept)
    assert reader.events()[0].event.details == {kept: kept}


def test_shown_names_of_replaced_channels(writer: LogbookWriter, read: Read, start: StartRun) -> None:
    run = writer.start_run(
        name="", bench_name="", bench_text="", bench_path="", version="", port="", wire="", started_wall_s=1.0
    )
    run.add_groups([GroupInfo(1.0, CodeType.U16, None, ("g0_c0", "iv"))], (("g0_c0", "<i u>"),))
    run.commit()
    assert [(c.name, c.shown_name) for c in read().run(1).channel_rows()] == [
        ("g0_c0", "<i u>"),
        ("iv", "iv"),
    ]


def test_what_groups_there_are(start: StartRun, read: Read) -> None:
    groups = [
        GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv"), burst=2000),
        GroupInfo(None, CodeType.TEXT, None, ("t_sink",), decimals=(2,)),
        GroupInfo(5.5, CodeType.I32, 24, ("a", "b", "c")),
    ]
    start(groups).commit()
    reader = read().run(1)
    assert reader.groups == tuple(groups)
    assert reader.row.channels == ("iu", "iv", "t_sink", "a", "b", "c")


def test_groups_that_come_late_are_found_without_asking(
    writer: LogbookWriter, read: Read, group: Any
) -> None:
    run = writer.start_run(
        name="", bench_name="", bench_text="", bench_path="", version="", port="", wire="", started_wall_s=1.0
    )
    reader = read().run(1)
    assert reader.groups == ()
    assert reader.row.channels == ()
    run.add_groups([group()])
    run.commit()
    assert len(reader.groups) == 1
    reader.refresh()
    assert reader.row.channels == ("iu", "iv", "iw", "vbus")


def test_runs_newest_first_and_how_they_are_named(start: StartRun, read: Read) -> None:
    for name in ("one", "two", "three"):
        start(name=name).finish("time", 1.0)
    book = read()
    assert [(r.number, r.name) for r in book.runs()] == [(3, "three"), (2, "two"), (1, "one")]
    assert book.run("last").number == 3
    assert book.run("2").row.name == "two"
    for ref in (4, 0, -1, 1 << 70, "first", ""):
        with pytest.raises(RunNotFoundError):
            book.run(ref)


def test_a_logbook_without_runs(writer: LogbookWriter, read: Read) -> None:
    assert read().runs() == []
    with pytest.raises(RunNotFoundError, match="holds no runs yet"):
        read().run("last")


@pytest.mark.parametrize(
    ("ended", "state"),
    [("time", "complete"), ("closed", "complete"), ("asked", "complete"), ("error", "failed")],
)
def test_state_while_recording_and_after_the_end(start: StartRun, read: Read, ended: str, state: str) -> None:
    run = start()
    reader = read().run(1)
    assert reader.row.state == "recording"
    run.finish(ended, 1_700_000_100.0, {"scans": 5})
    reader.refresh()
    assert (reader.row.state, reader.row.ended, reader.row.ended_wall_s) == (state, ended, 1_700_000_100.0)
    assert reader.row.summary == {"scans": 5}


def test_an_end_written_while_the_lock_is_looked_at(
    start: StartRun, read: Read, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = start()

    def ends_meanwhile(*_: Any) -> bool:
        run.finish("time", 1.0)
        return False

    monkeypatch.setattr("livesense.logbook.reader.is_held", ends_meanwhile)
    assert read().run(1).row.state == "complete"


def test_without_a_look_at_the_lock_the_sign_of_life_decides(
    start: StartRun, read: Read, writer: LogbookWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("livesense.logbook.reader.is_held", lambda *_: None)
    start().commit()
    assert read().run(1).row.state == "recording"
    writer.write([("UPDATE health SET wall_s = wall_s - 60", ())])
    assert read().run(1).row.state == "recovered"


def test_a_state_seen_is_not_looked_for_again_at_once(
    start: StartRun, read: Read, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = start()
    book = read()
    assert book.run(1).row.state == "recording"
    monkeypatch.setattr("livesense.logbook.reader.is_held", lambda *_: pytest.fail("looked again"))
    assert book.run(1).row.state == "recording"
    run.abandon()
    monkeypatch.undo()
    other = read()
    assert other.run(1).row.state == "recovered"
    monkeypatch.setattr("livesense.logbook.reader.is_held", lambda *_: pytest.fail("looked again"))
    assert other.run(1).row.state == "recovered"


def test_decoded_blocks_are_kept_up_to_a_size() -> None:
    cache = BlockCache(largest_bytes=3000)
    for number in range(5):
        cache.put((number,), np.zeros(1000, np.uint8))
        cache.get((0,))
    assert [cache.get((number,)) is not None for number in range(5)] == [True, False, False, True, True]
    cache.put((4,), np.zeros(1000, np.uint8))
    assert cache.get((3,)) is not None


def test_a_finished_run_takes_nothing_more(start: StartRun) -> None:
    run = start()
    run.finish("time", 1.0)
    with pytest.raises(LogbookError, match="has ended"):
        run.commit()
    with pytest.raises(ValueError, match="has ended already"):
        run.finish("time", 1.0)


def test_closing_without_an_end_keeps_what_was_taken_in(
    path: Path, start: StartRun, read: Read, pump_codes: Codes
) -> None:
    with LogbookWriter(path) as other:
        run = start(on=other)
        run.append(ScanBlock(0, 0, pump_codes(10)))
    reader = read().run(1)
    assert reader.row.state == "recovered"
    assert reader.scans_stored(0) == 10
    assert not list(path.parent.glob("*.lock"))


def test_requests_are_asked_and_answered(start: StartRun, read: Read, path: Path) -> None:
    run = start()
    number = requests.ask(path, 1, "note", "shunt is warm")
    other = requests.ask(path, 1, "stop")
    assert [(r.number, r.kind, r.text, r.answer) for r in run.requests()] == [
        (number, "note", "shunt is warm", None),
        (other, "stop", "", None),
    ]
    run.answer(number, "kept")
    run.commit()
    assert [r.number for r in run.requests()] == [other]
    answered = requests.answer_of(path, number)
    assert answered is not None
    assert answered.answer == "kept"
    assert requests.answer_of(path, 999) is None
    assert [r.answer for r in read().run(1).requests()] == ["kept", None]


def test_a_request_that_cannot_be_is_refused(start: StartRun, path: Path) -> None:
    start()
    with pytest.raises(
        ValueError, match="expected one of stop, note, zero, walk, stage, point, scale, discard, got 'reboot'"
    ):
        requests.ask(path, 1, "reboot")
    with pytest.raises(ValueError, match="at most 10000 characters"):
        requests.ask(path, 1, "note", "x" * 10_001)
    with pytest.raises(RunNotFoundError):
        requests.ask(path, 2, "stop")
    with pytest.raises(LogbookError, match="no such logbook"):
        requests.ask(path.with_name("none.db"), 1, "stop")
    for _ in range(requests.MOST_WAITING):
        requests.ask(path, 1, "note", "again")
    with pytest.raises(ValueError, match="requests are waiting already"):
        requests.ask(path, 1, "note", "again")
    assert not path.with_name("none.db").exists()


def test_a_note_on_a_run_that_is_over_is_kept_at_once(start: StartRun, read: Read, path: Path) -> None:
    start().finish("time", 1.0)
    start().abandon()
    for run in (1, 2):
        number = requests.ask(path, run, "note", "bearing changed since")
        reader = read().run(run)
        assert [(n.text, n.source) for n in reader.notes()] == [("bearing changed since", "page")]
        assert [(r.number, r.answer) for r in reader.requests()] == [(number, "kept")]
        with pytest.raises(ValueError, match="is not being recorded"):
            requests.ask(path, run, "stop")


def test_notes_on_a_run_that_is_over_are_bounded(
    start: StartRun, read: Read, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = start()
    run.note("of the run itself", 1.0, source="user")
    run.finish("time", 1.0)
    monkeypatch.setattr(requests, "MOST_LATER", 2)
    for text in ("one", "two"):
        requests.ask(path, 1, "note", text)
    with pytest.raises(ValueError, match="at most 2 notes added after run 1"):
        requests.ask(path, 1, "note", "three")
    assert [note.text for note in read().run(1).notes()] == ["of the run itself", "one", "two"]


def test_what_is_counted_and_listed_piece_by_piece(start: StartRun, read: Read, pump_codes: Codes) -> None:
    run = start()
    reader = None
    stored = 0
    for number in range(6):
        run.append(ScanBlock(0, number * 1000, pump_codes(900)))
        run.gap(Gap(0, number * 1000 + 900, 100, GapCause.WIRE), 1.0)
        run.merge(force=number % 2 == 0)
        stored += 900
        reader = reader or read().run(1)
        assert reader.scans_stored(0) == stored
    assert reader is not None
    assert [gap.first for gap in reader.gaps_between(0, 1950, 3901)] == [1900, 2900, 3900]
    assert [gap.first for gap in reader.gaps_between(0, 2000, 2500)] == [1900]
    assert reader.gaps_between(0, 0, 900) == []
    assert len(reader.gaps_between(0, 0, 10**9)) == 6

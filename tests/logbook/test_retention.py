"""Old raw scans are dropped while a run is recorded; what sums them up, and events, stay."""

import shutil
import sqlite3
import threading
import time

import numpy as np
import pytest

from livesense.errors import LogbookFullError
from livesense.logbook import retention
from livesense.logbook.copying import copy_run
from livesense.logbook.kept import joined_ranges, outside, waveforms_of
from livesense.logbook.reader import Logbook
from livesense.logbook.retention import Keeping
from livesense.logbook.verify import verify
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, Event, Gap, GapCause, GroupInfo, ScanBlock

RATE_HZ = 20000
SECOND = RATE_HZ
ROW = {
    "name": "", "bench_name": "coolant pump, 24 V", "bench_text": "[bench]\n", "bench_path": "",
    "version": "", "port": "", "wire": "framed", "started_wall_s": 1.7e9,
}  # fmt: skip


def overcurrent(start, end, peak=None, **details):
    at = start if peak is None else peak
    return Event(
        "overcurrent", "iu", 0, 0, start, end, 14.0, at, False, 12.0, "A", "beyond 12 A", 0, False, details
    )


def step(run):
    """Commit, and have retention look at once."""
    if run._retention is not None:
        run._retention._looked_s = float("-inf")
    run.commit()


@pytest.fixture
def keeping():
    return Keeping(raw_s=10.0, size_bytes=None, around_s=0.1, event_s=60.0)


@pytest.fixture
def long_run(writer, pump_codes, group):
    """Give what records seconds of the pump with retention on; returns run and all that was recorded."""

    def make(keeping, seconds, *, gap=None, events=(), finish=False, noise=False):
        run = writer.start_run(**ROW)
        run.retain(keeping)
        run.add_groups([group(code=CodeType.U16 if noise else CodeType.U12)])
        rng = np.random.default_rng(5)
        parts = []
        for second in range(seconds):
            first = second * SECOND
            codes = (
                rng.integers(0, 65536, (SECOND, 4), dtype=np.uint16) if noise else pump_codes(SECOND, first)
            )
            parts.append(codes)
            at = 0
            if gap is not None and first <= gap[0] < first + SECOND:
                at = gap[0] - first
                run.append(ScanBlock(0, first, codes[:at]))
                run.gap(Gap(0, gap[0], gap[1], GapCause.WIRE))
                at += gap[1]
            run.append(ScanBlock(0, first + at, codes[at:]))
            for event in events:
                if first <= event.start_scan < first + SECOND:
                    run.open_event(event)
            run.merge(force=True)
            step(run)
        if finish:
            stored = seconds * SECOND - (gap[1] if gap else 0)
            run.finish(
                "time", 1.7e9 + seconds,
                {"groups": [{"group": 0, "scans_stored": stored, "scans_lost": gap[1] if gap else 0}]},
            )  # fmt: skip
        return run, np.concatenate(parts)

    return make


@pytest.fixture(scope="module")
def dropped_run(tmp_path_factory):
    """A minute of which ten seconds are left, made once."""
    path = tmp_path_factory.mktemp("dropped") / "pump.db"
    codes = np.random.default_rng(3).integers(0, 4096, (60 * SECOND, 4), dtype=np.uint16)
    with LogbookWriter(path) as writer:
        run = writer.start_run(**ROW)
        run.retain(Keeping(10.0, None, 0.1, 60.0))
        run.add_groups([GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv", "iw", "vbus"))])
        for first in range(0, len(codes), SECOND):
            run.append(ScanBlock(0, first, codes[first : first + SECOND]))
            run.merge(force=True)
            step(run)
        run.finish("time", 1.7e9 + 60)
    return path


def sound(path):
    report = verify(path, None, lambda *_: None)
    return [str(finding) for finding in report.findings]


def test_raw_scans_older_than_asked_go_and_what_was_counted_stays(long_run, keeping, path, writer):
    long_run(keeping, 30, finish=True)
    with Logbook(path) as book:
        run = book.run(1)
        (row,) = run.dropped(0)
        assert (row.first, row.reason) == (0, "age")
        # Whole blocks go: at least ten seconds are left, and hardly more than eleven.
        assert 18 * SECOND < row.stop <= 20 * SECOND
        assert row.scans == row.stop
        assert run.extent(0) == (0, 30 * SECOND)
        assert run.scans_stored(0) == 30 * SECOND
        assert run.scans_dropped(0) == row.scans
        assert run.scans_lost(0) == 0
        assert next(run.codes(0, 0, 30 * SECOND))[0] == row.stop
        assert run.is_dropped(0, 0, 1)
        assert not run.is_dropped(0, row.stop, 30 * SECOND)
    assert sound(path) == []


def test_the_overview_is_drawn_from_what_sums_the_dropped_scans_up(long_run, keeping, path, writer):
    _, codes = long_run(keeping, 30, finish=True)
    with Logbook(path) as book:
        run = book.run(1)
        stop = run.dropped(0)[0].stop
        whole = run.envelope(0, "iu", 0, 30 * SECOND, 200)
        assert whole.n.sum() == 30 * SECOND
        for low, high, begin, end in zip(whole.low, whole.high, whole.scan[:-1], whole.scan[1:], strict=True):
            assert (low, high) == (codes[begin:end, 0].min(), codes[begin:end, 0].max())
        # A window too short for the coarse sums is drawn from the finest, 64 scans each.
        begin = 5 * SECOND - 5 * SECOND % 64
        short = run.envelope(0, "iu", begin, begin + 6400, 2000)
        assert len(short.n) == 100
        assert np.array_equal(short.high, codes[begin : begin + 6400, 0].reshape(100, 64).max(axis=1))
        assert np.allclose(short.mean, codes[begin : begin + 6400, 0].reshape(100, 64).mean(axis=1))
        # Across the edge, too, nothing is missing.
        across = run.envelope(0, "iu", stop - 640, stop + 640, 2000)
        assert across.n.sum() > 1280 - 128
        # Where nothing was dropped each bucket is one scan, as ever.
        assert len(run.envelope(0, "iu", stop, stop + 500, 2000).n) == 500


def test_the_scans_of_an_event_stay_with_what_lies_before_and_after(long_run, keeping, path, writer):
    start, end = 5 * SECOND + 100, 5 * SECOND + 400
    _, codes = long_run(keeping, 30, events=[overcurrent(start, end, pre_s=0.25, post_s=0.0)], finish=True)
    with Logbook(path) as book:
        run = book.run(1)
        before, after = run.dropped(0)
        assert (before.first, before.stop) == (0, start - SECOND // 4)
        # `around` is longer than the rule's own post.
        assert after.first == end + 1 + SECOND // 10
        kept = list(run.codes(0, 0, after.stop))
        assert [(first, len(found)) for first, found in kept] == [(before.stop, after.first - before.stop)]
        assert np.array_equal(kept[0][1], codes[before.stop : after.first])
        assert run.scans_stored(0) == 30 * SECOND
    assert sound(path) == []


def test_an_event_that_fills_whole_blocks_leaves_them_as_they_are(long_run, keeping, path, writer):
    long_run(keeping, 30, events=[overcurrent(3 * SECOND, 8 * SECOND)], finish=True)
    with Logbook(path) as book:
        before, after = book.run(1).dropped(0)
        assert (before.stop, after.first) == (3 * SECOND - 2000, 8 * SECOND + 1 + 2000)
        ((longest,),) = book.select("SELECT max(scans) FROM block WHERE first BETWEEN 80000 AND 140000")
        assert longest == SECOND
    assert sound(path) == []


def test_an_event_that_is_not_over_keeps_its_beginning_and_peak(long_run, path, writer):
    keeping = Keeping(10.0, None, 0.1, 4.0)
    long_run(keeping, 40, events=[overcurrent(5 * SECOND, None, peak=20 * SECOND)])
    with Logbook(path) as book:
        ranges = [(row.first, row.stop) for row in book.run(1).dropped(0)]
        assert ranges[:2] == [(0, 5 * SECOND - 2000), (7 * SECOND, 20 * SECOND - 2000)]
        assert ranges[2][0] == 20 * SECOND + 1 + 2000
    assert sound(path) == []


def test_gaps_among_dropped_scans_are_still_lost_scans(long_run, keeping, path, writer):
    long_run(keeping, 30, gap=(3 * SECOND + 5000, 700), finish=True)
    with Logbook(path) as book:
        run = book.run(1)
        (row,) = run.dropped(0)
        assert row.scans == row.stop - 700
        assert run.scans_lost(0) == 700
        assert run.scans_stored(0) == 30 * SECOND - 700
    assert sound(path) == []


def test_counts_are_right_for_a_reader_that_looks_while_scans_are_dropped(
    writer, pump_codes, group, keeping, path
):
    run = writer.start_run(**ROW)
    run.retain(keeping)
    run.add_groups([group()])
    run.commit()
    with Logbook(path) as book:
        looked = book.run(1)
        for second in range(25):
            run.append(ScanBlock(0, second * SECOND, pump_codes(SECOND, second * SECOND)))
            run.merge(force=True)
            step(run)
            if second % 3 == 0:
                assert looked.scans_stored(0) == (second + 1) * SECOND
                assert looked.scans_stored(0) == book.run(1).scans_stored(0)
        assert looked.scans_dropped(0) > 0


def test_the_finest_sums_go_much_later_and_coarser_ones_never(long_run, path, writer, monkeypatch):
    monkeypatch.setattr(retention, "FINE_TIMES", 2)
    _, codes = long_run(Keeping(10.0, None, 0.1, 60.0), 60, finish=True)
    with Logbook(path) as book:
        run = book.run(1)
        (fine,) = run.dropped(0, level=1)
        # Whole pages, twice as old as the raw scans, where those of 1024 scans each are stored.
        edge = run.dropped(0)[0].stop
        assert fine.stop % 32768 == 0
        assert 0 < fine.stop <= min(2 * 16 * 32768, 60 * SECOND - 2 * (60 * SECOND - edge))
        ((first,),) = book.select("SELECT min(first) FROM pyramid WHERE level = 1")
        assert first == fine.stop
        old = run.envelope(0, "iu", 0, 102400, 2000)
        assert len(old.n) == 100
        assert np.array_equal(old.low, codes[:102400, 0].reshape(100, 1024).min(axis=1))
        whole = run.envelope(0, "iu", 0, 60 * SECOND, 100)
        assert whole.n.sum() == 60 * SECOND
    assert sound(path) == []


def test_the_file_stops_growing(long_run, keeping, path, writer):
    run, _ = long_run(keeping, 20)
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    size = path.stat().st_size
    rng = np.random.default_rng(1)
    for second in range(20, 60):
        codes = rng.normal(2048, 30, (SECOND, 4)).astype("<u2")
        run.append(ScanBlock(0, second * SECOND, codes))
        run.merge(force=True)
        step(run)
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    # Twice as much again was recorded; what grew are the sums, and little else.
    ((sums,),) = writer.select("SELECT sum(length(data)) FROM pyramid")
    assert path.stat().st_size < size + 1.5 * sums + 1_500_000


def test_a_largest_size_drops_the_oldest_scans_before_the_file_is_larger(long_run, path, writer, monkeypatch):
    monkeypatch.setattr(retention, "WAL_BYTES", 0)
    monkeypatch.setattr(retention, "HEADROOM_BYTES", 400_000)
    # Random codes take two bytes each: 160 kB a second.
    long_run(Keeping(None, 4_000_000, 0.1, 60.0), 60, noise=True, finish=True)
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    assert path.stat().st_size <= 4_000_000
    with Logbook(path) as book:
        (row,) = book.run(1).dropped(0)
        assert row.reason == "size"
        assert book.run(1).scans_stored(0) == 60 * SECOND
        # Not more than needed went.
        assert 60 * SECOND - row.stop > 15 * SECOND
    assert sound(path) == []


def test_a_largest_size_that_leaves_nothing_to_drop_ends_the_recording(long_run, path, writer, monkeypatch):
    monkeypatch.setattr(retention, "WAL_BYTES", 0)
    monkeypatch.setattr(retention, "HEADROOM_BYTES", 200_000)
    with pytest.raises(LogbookFullError, match=r"largest size of 1 MB.*raw scans of the newest \d+ s"):
        long_run(Keeping(None, 1_000_000, 0.1, 60.0), 60, noise=True)
    writer.close()
    assert sound(path) == []


def test_a_flood_of_events_keeps_within_the_largest_size_and_loses_the_oldest_waveforms(
    long_run, path, writer, monkeypatch
):
    monkeypatch.setattr(retention, "WAL_BYTES", 0)
    monkeypatch.setattr(retention, "HEADROOM_BYTES", 400_000)
    # Ten seconds of random codes are 1.6 MB; with the waveforms of all events these would be 7 MB.
    events = [overcurrent(s * SECOND + 3000, s * SECOND + 11_000) for s in range(60)]
    gap = (7 * SECOND + 5000, 700)
    _, codes = long_run(
        Keeping(None, 4_000_000, 0.1, 60.0), 60, noise=True, gap=gap, events=events, finish=True
    )
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    assert path.stat().st_size <= 4_000_000
    with Logbook(path) as book:
        run = book.run(1)
        assert len(run.events()) == 60
        bare, *others = run.dropped(0)
        # One row for all of the beginning, however many events there were.
        assert (bare.first, bare.reason) == (0, "waveforms")
        assert bare.scans == bare.stop - 700
        assert {row.reason for row in others} == {"size"}
        # The newer events have their waveforms.
        left = [row.event for row in run.events() if row.event.start_scan >= bare.stop]
        assert 5 < len(left) < 55
        for event in left:
            first, stop = event.start_scan - 2000, event.end_scan + 1 + 2000
            found = list(run.codes(0, first, stop))
            assert [(at, len(part)) for at, part in found] == [(first, stop - first)]
            assert np.array_equal(found[0][1], codes[first:stop])
        assert run.scans_stored(0) == 60 * SECOND - 700
        assert run.envelope(0, "iu", 0, 60 * SECOND, 100).n.sum() == 60 * SECOND - 700
    assert sound(path) == []


def test_of_an_event_without_end_only_what_is_asked_for_stays_within_the_largest_size(
    long_run, path, writer, monkeypatch
):
    monkeypatch.setattr(retention, "WAL_BYTES", 0)
    monkeypatch.setattr(retention, "HEADROOM_BYTES", 200_000)
    # Its last half minute would be longer than the raw scans that there is room for.
    long_run(
        Keeping(None, 5_000_000, 0.1, 60.0), 60, noise=True, events=[overcurrent(100, None)], finish=True
    )
    with Logbook(path) as book:
        run = book.run(1)
        begin, *_ = run.codes(0, 0, 60 * SECOND)
        # The beginning is still there: nothing but raw scans had to go.
        assert begin[0] == 0
        assert {row.reason for row in run.dropped(0)} == {"size"}
    assert sound(path) == []


def test_space_of_deleted_runs_is_given_back_when_the_file_is_too_large(long_run, path, writer, monkeypatch):
    monkeypatch.setattr(retention, "WAL_BYTES", 0)
    monkeypatch.setattr(retention, "HEADROOM_BYTES", 200_000)
    monkeypatch.setattr(retention, "VACUUM_PAGES", 10_000)
    long_run(Keeping(None, 1_000_000_000, 0.1, 60.0), 30, noise=True, finish=True)
    writer.write([("DELETE FROM run WHERE number = 1", ())])
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    assert path.stat().st_size > 4_000_000
    long_run(Keeping(None, 3_000_000, 0.1, 60.0), 12, noise=True, finish=True)
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    assert path.stat().st_size <= 3_000_000


def test_groups_and_clocks_of_their_own_are_cut_alike(writer, pump_codes, path):
    groups = [
        GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv", "iw", "vbus"), clock="t_us"),
        GroupInfo(200.0, CodeType.U12, 12, ("t_sink",)),
    ]
    run = writer.start_run(**ROW)
    run.retain(Keeping(10.0, None, 0.1, 60.0))
    run.add_groups(groups)
    start, end = 4 * SECOND + 100, 4 * SECOND + 400
    for second in range(40):
        first = second * SECOND
        ticks = np.arange(first, first + SECOND, dtype=np.int64) * 50
        run.append(ScanBlock(0, first, pump_codes(SECOND, first), ticks))
        run.append(ScanBlock(1, second * 200, pump_codes(200, first)[:, :1].copy()))
        if second == 4:
            run.open_event(overcurrent(start, end))
        run.merge(force=True)
        step(run)
    run.finish("time", 1.7e9 + 40)
    with Logbook(path) as book:
        reader = book.run(1)
        kept = [(first, len(t)) for first, t in reader.clock(0, 0, 20 * SECOND)]
        assert kept == [(start - 2000, end + 1 - start + 4000)]
        ((first, ticks),) = reader.clock(0, 0, 20 * SECOND)
        assert np.array_equal(ticks, np.arange(first, first + len(ticks)) * 50)
        # A page of the finest sums of the slow group takes 164 s to fill: its scans stay until then.
        assert reader.dropped(1) == []
        assert reader.scans_stored(1) == 40 * 200
    assert sound(path) == []


def test_a_run_that_was_cut_off_is_sound(long_run, keeping, path, writer):
    run, _ = long_run(keeping, 30)
    run.append(ScanBlock(0, 30 * SECOND, np.full((10, 4), 2048, "<u2")))
    run.commit()
    run.abandon()
    with Logbook(path) as book:
        assert book.run(1).row.state == "recovered"
        assert book.run(1).scans_stored(0) == 30 * SECOND + 10
        whole = book.run(1).envelope(0, "iu", 0, 30 * SECOND + 10, 100)
        assert whole.n.sum() == 30 * SECOND + 10
    assert sound(path) == []


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        ("UPDATE dropped SET scans = scans - 1", "count"),
        ("UPDATE dropped SET stop = stop - 100, scans = scans - 100", "unaccounted"),
        ("UPDATE dropped SET first = -5", "count"),
        ("DELETE FROM dropped", "unaccounted"),
        ("DELETE FROM pyramid WHERE level = 1 AND first = 32768 AND position = 1", "pyramid"),
        ("UPDATE pyramid SET data = x'00' WHERE level = 1 AND first = 32768 AND position = 1", "pyramid"),
        (
            "UPDATE pyramid SET data ="
            " (SELECT data FROM pyramid WHERE level = 2 AND position = 3 AND first = 0)"
            " WHERE level = 2 AND position = 0 AND first = 0",
            "pyramid",
        ),
    ],
)
def test_verify_finds_what_is_wrong_with_dropped_scans(dropped_run, path, change, kind):
    shutil.copy(dropped_run, path)
    assert sound(path) == []
    with sqlite3.connect(path) as db:
        db.execute(change)
    db.close()
    report = verify(path, None, lambda *_: None)
    assert kind in {finding.kind for finding in report.findings}


def test_a_copy_knows_what_was_dropped(dropped_run, tmp_path):
    with Logbook(dropped_run) as book:
        copy_run(book, 1, tmp_path / "mail.db", lambda *_: None)
        with Logbook(tmp_path / "mail.db") as copied:
            assert copied.run(1).dropped(0) == book.run(1).dropped(0) != []
    assert sound(tmp_path / "mail.db") == []


def test_ranges_are_joined_and_taken_away():
    assert joined_ranges([(5, 9), (0, 3), (8, 12), (3, 4), (20, 20)]) == [(0, 4), (5, 12)]
    assert outside((0, 20), [(3, 5), (5, 9), (15, 30)]) == [(0, 3), (9, 15)]
    assert outside((4, 8), [(0, 20)]) == []
    assert outside((4, 8), []) == [(4, 8)]
    assert outside((4, 8), [(0, 5), (7, 7), (12, 20)]) == [(5, 7), (7, 8)]


def test_the_waveform_of_an_event():
    event = overcurrent(100_000, 100_099, peak=100_050, pre_s=0.02, post_s=0.5)
    assert waveforms_of(event, 500_000, 20000.0, 0.1, 30.0) == [(98_000, 110_100)]
    long = overcurrent(100_000, 900_000, peak=500_000)
    assert waveforms_of(long, 10**6, 20000.0, 0.1, 5.0) == [
        (98_000, 200_000), (498_000, 502_001), (800_000, 902_001),
    ]  # fmt: skip
    # Nothing lies before the first scan.
    assert waveforms_of(overcurrent(10, 20), 10**6, 20000.0, 0.1, 5.0)[0][0] == 0


def test_old_logbooks_have_dropped_nothing(long_run, keeping, path, writer):
    long_run(keeping, 2, finish=True)
    writer.close()
    with sqlite3.connect(path) as db:
        db.execute("DROP TABLE dropped")
        db.execute("PRAGMA user_version = 5")
    db.close()
    with Logbook(path) as book:
        run = book.run(1)
        assert run.dropped(0) == []
        assert run.scans_dropped(0) == 0
        assert run.scans_stored(0) == 2 * SECOND
        assert run.extent(0) == (0, 2 * SECOND)
        assert run.envelope(0, "iu", 0, 100, 10).n.sum() == 100
    assert sound(path) == []


def test_verify_beside_a_recorder_that_drops_finds_nothing(long_run, keeping, path, writer, pump_codes):
    run, _ = long_run(keeping, 15)
    errors = []
    stop = threading.Event()

    def record_on():
        try:
            for second in range(15, 400):
                if stop.is_set():
                    break
                run.append(ScanBlock(0, second * SECOND, pump_codes(SECOND, second * SECOND)))
                run.merge(force=True)
                step(run)
        except Exception as error:
            errors.append(error)

    recording = threading.Thread(target=record_on)
    recording.start()
    try:
        for _ in range(6):
            assert sound(path) == []
    finally:
        stop.set()
        recording.join()
    assert errors == []
    with Logbook(path) as book:
        assert book.run(1).scans_dropped(0) > 0


def test_looks_are_seconds_or_megabytes_apart(long_run, keeping, writer):
    run, _ = long_run(keeping, 1)
    now = time.monotonic()
    assert run._retention.due(now + 10, 0)
    assert not run._retention.due(now + 11, 1_000_000)
    assert run._retention.due(now + 11, 3_000_000)
    assert not run._retention.due(now + 12, 4_000_000)
    assert run._retention.due(now + 14, 4_000_000)

"""Vectorised against slow, and streaming against batch, over random signals, blocks and gaps."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.bench import Watch
from livesense.watch.excess import ExcessTracker
from livesense.watch.overcurrent import OvercurrentWatch
from livesense.watch.rules import rule_events

RATE_HZ = 1000.0


def slow_events(stretches, limit, release, hold_s, release_hold_s, rate_hz):
    """Go one scan after the other, as the rule reads; stretches are ``(first, [value], [clipped])``."""
    need = max(1, math.ceil(hold_s * rate_hz - 1e-9))
    calm = max(1, math.ceil(release_hold_s * rate_hz - 1e-9))
    events = []
    row = []  # scans in a row beyond the limit: (scan, value, clipped)
    inside = None  # all scans since the event began: (scan, value, clipped)
    quiet = 0
    expected = None
    last = None

    def finish(end, cut):
        taken = [s for s in inside if s[0] <= end]
        peak = max(taken, key=lambda s: (abs(s[1]), -s[0]))
        lost = end - taken[0][0] + 1 - len(taken)
        events.append((taken[0][0], end, peak[1], peak[0], any(s[2] for s in taken), lost, cut))

    for first, values, clipped in stretches:
        if expected is not None and first != expected:
            row, quiet = [], 0
        for offset, (value, is_clipped) in enumerate(zip(values, clipped, strict=True)):
            scan = (first + offset, value, is_clipped)
            last = scan[0]
            if inside is None:
                row = [*row, scan] if abs(value) > limit * (1 + 1e-9) else []
                if len(row) >= need:
                    inside, quiet = row, 0
                continue
            inside.append(scan)
            quiet = 0 if abs(value) > release * (1 + 1e-9) else quiet + 1
            if quiet >= calm:
                held = [s[0] for s in inside if abs(s[1]) > release * (1 + 1e-9)]
                finish(held[-1], False)
                inside, row = None, []
        expected = first + len(values)
    if inside is not None:
        finish(last, True)
    return events


def rule(hold=0, calm=1, limit=2.0, release=1.0, quantity="instant"):
    return Watch(
        kind="overcurrent",
        quantity=quantity,
        channels=("iu",),
        limit=limit,
        unit="A",
        hold_s=hold / RATE_HZ,
        release=release,
        release_hold_s=calm / RATE_HZ,
        pre_s=0.0,
        post_s=0.0,
    )


def shape(event):
    return (
        event.start_scan,
        event.end_scan,
        event.peak,
        event.peak_scan,
        event.peak_at_least,
        event.lost_scans,
        event.cut_short,
    )


# Few levels, some of them exactly at a level, so that runs, ties and borders abound.
LEVEL = st.sampled_from([0.0, 0.5, 1.0, -1.0, 1.5, -1.5, 2.0, 2.0 * (1 + 5e-10), 2.5, -2.5, 3.0, -3.0])
SCAN = st.tuples(LEVEL, st.booleans())
STRETCH = st.lists(st.tuples(LEVEL, st.integers(1, 6), st.booleans()), min_size=1, max_size=12).map(
    lambda runs: [(value, clipped) for value, count, clipped in runs for _ in range(count)]
)
STRETCHES = st.lists(st.tuples(st.integers(1, 9), STRETCH), min_size=1, max_size=5)


def laid_out(stretches):
    """Give each stretch its first scan; the number before it is lost."""
    first, out = 0, []
    for lost, scans in stretches:
        first += lost
        out.append((first, [s[0] for s in scans], [s[1] for s in scans]))
        first += len(scans)
    return out


def arrays(first, values, clipped):
    return first, np.array(values)[:, None], np.array(clipped, dtype=bool)[:, None]


@settings(max_examples=150, deadline=None)
@given(STRETCHES, st.integers(0, 5), st.integers(0, 8))
def test_every_event_is_that_of_the_slow_twin(stretches, hold, calm):
    laid = laid_out(stretches)
    slow = slow_events(laid, 2.0, 1.0, hold / RATE_HZ, calm / RATE_HZ, RATE_HZ)
    fast = rule_events(rule(hold, calm), 0, ["iu"], RATE_HZ, 0, [arrays(*s) for s in laid])
    assert [shape(e) for e in fast] == slow
    scans = {first + n: v for first, values, _ in laid for n, v in enumerate(values)}
    for event in fast:
        inside = [scans[s] for s in range(event.start_scan, event.end_scan + 1) if s in scans]
        beyond = [v for v in inside if abs(v) > 2.0 * (1 + 1e-9)]
        assert event.details["i2t"] == pytest.approx(sum(v * v for v in inside) / RATE_HZ, rel=1e-6)
        over = sum(v * v - 4.0 for v in beyond) / RATE_HZ
        assert event.details["excess_i2t"] == pytest.approx(over, rel=1e-6, abs=1e-8)
        assert event.details["beyond_s"] == pytest.approx(len(beyond) / RATE_HZ)


@settings(max_examples=150, deadline=None)
@given(STRETCHES, st.integers(0, 5), st.integers(0, 8), st.data())
def test_block_borders_change_nothing(stretches, hold, calm, data):
    laid = laid_out(stretches)
    whole = rule_events(rule(hold, calm), 0, ["iu"], RATE_HZ, 0, [arrays(*s) for s in laid])
    watch = OvercurrentWatch(rule(hold, calm), 0, ["iu"], RATE_HZ, 0)
    tell_gaps = data.draw(st.booleans())
    seen, expected = {}, None
    for first, values, clipped in laid:
        if tell_gaps and expected is not None:
            watch.gap(first - expected)
        cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(values) - 1)), max_size=len(values))))
        for begin, stop in zip([0, *cuts], [*cuts, len(values)], strict=True):
            for event in watch.feed(*arrays(first + begin, values[begin:stop], clipped[begin:stop])):
                earlier = seen.get(event.details["key"])
                assert earlier is None or earlier.end_scan is None, "an ended event came again"
                seen[event.details["key"]] = event
        expected = first + len(values)
    for event in watch.close():
        seen[event.details["key"]] = event
    assert sorted(seen.values(), key=lambda e: e.start_scan) == whole


def test_single_scans_are_a_block_like_any_other():
    values = [0, 3, 3, 3, 1.5, 0, 3, 0, 0, 0, 3, 3, 3]
    whole = rule_events(rule(3, 3), 0, ["iu"], RATE_HZ, 0, [arrays(5, values, [False] * 13)])
    watch = OvercurrentWatch(rule(3, 3), 0, ["iu"], RATE_HZ, 0)
    events = [
        e for i, v in enumerate(values) for e in watch.feed(*arrays(5 + i, [v], [False]))
    ] + watch.close()
    assert [e for e in events if e.end_scan is not None] == whole
    assert [shape(e)[:2] for e in whole] == [(6, 11), (15, 17)]


def test_going_back_is_refused():
    watch = OvercurrentWatch(rule(), 0, ["iu"], RATE_HZ, 0)
    watch.feed(*arrays(10, [0.0], [False]))
    with pytest.raises(ValueError, match="expected scan 11 or later, got 10"):
        watch.feed(*arrays(10, [0.0], [False]))
    tracker = ExcessTracker(2.0, 1, 1.0, 1)
    tracker.feed(10, np.zeros(1), np.zeros(1, dtype=bool))
    with pytest.raises(ValueError, match="expected scan 11 or later, got 5"):
        tracker.feed(5, np.zeros(1), np.zeros(1, dtype=bool))


def test_scans_of_which_nothing_is_known_are_neither_beyond_nor_below():
    tracker = ExcessTracker(2.0, 3, 1.0, 3)
    no = np.zeros(3, dtype=bool)
    tracker.feed(0, np.array([0.0, 3.0, 3.0]), no)
    tracker.skip(3, 2, False)
    tracker.feed(5, np.array([3.0, 3.0, 0.0]), no)
    assert tracker.open is None
    tracker.feed(8, np.array([3.0, 3.0, 3.0]), no)
    tracker.feed(11, np.array([0.0, 0.0]), no[:2])
    tracker.skip(13, 2, True)
    assert tracker.feed(15, np.array([0.0, 0.0]), no[:2]) == []
    excess = tracker.close()
    assert (excess.start, excess.end, excess.peak.clipped) == (8, 16, True)

"""Overcurrent on the rms of cycles against a slow twin, and for any block borders."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from watch_streams import BASE, RATE_HZ, STRETCHES, arrays, laid_out
from watch_twins import expanded

from livesense.watch.rules import rule_events, watch_for


def rule(hold, calm):
    return dataclasses.replace(
        BASE, kind="overcurrent", hold_s=hold / RATE_HZ, release=0.9, release_hold_s=calm / RATE_HZ
    )


def slow_events(stretches, hold, calm):
    """Go one scan after the other; each stands for the rms of its cycle, None where nothing is known."""
    need, calm = max(1, hold), max(1, calm)
    events, row, inside, quiet, expected, last = [], [], None, 0, None, -1

    def finish(end, cut):
        taken = [s for s in inside if s[0] <= end]
        known = [s for s in taken if s[1] is not None]
        peak = max(known, key=lambda s: (s[1], -s[0]))
        lost = end - taken[0][0] + 1 - len(taken)
        events.append((taken[0][0], end, peak[1], peak[0], any(s[2] for s in taken), lost, cut))

    for first, values, clipped in stretches:
        if expected is not None and first != expected:
            row, quiet = [], 0
        for last, (rms, is_clipped) in enumerate(zip(values, clipped, strict=True), start=first):
            scan = (last, rms, is_clipped)
            if inside is None:
                row = [*row, scan] if rms is not None and rms > 1 + 1e-9 else []
                if len(row) >= need:
                    inside, quiet = row, 0
                continue
            inside.append(scan)
            quiet = 0 if rms is None or rms > 0.9 * (1 + 1e-9) else quiet + 1
            if quiet >= calm:
                finish(max(s[0] for s in inside if s[1] is not None and s[1] > 0.9 * (1 + 1e-9)), False)
                inside, row = None, []
        expected = first + len(values)
    if inside is not None:
        finish(last, True)
    return events


def shape(event):
    return (event.start_scan, event.end_scan, event.peak_at_least, event.lost_scans, event.cut_short)


@settings(max_examples=80, deadline=None)
@given(STRETCHES, st.integers(0, 9), st.integers(0, 12))
def test_every_event_is_that_of_the_slow_twin(stretches, hold, calm):
    laid = laid_out(stretches)
    slow = slow_events(expanded(laid, 1.0, 5), hold, calm)
    fast = rule_events(rule(hold, calm), 0, ["iu"], RATE_HZ, 0, [arrays(*s) for s in laid])
    assert [shape(e) for e in fast] == [(s[0], s[1], s[4], s[5], s[6]) for s in slow]
    # Sums of squares are rounded otherwise: two cycles may be the largest.
    assert [e.peak for e in fast] == pytest.approx([s[2] for s in slow], rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(STRETCHES, st.integers(0, 9), st.integers(0, 12), st.data())
def test_block_borders_change_nothing(stretches, hold, calm, data):
    laid = laid_out(stretches)
    whole = rule_events(rule(hold, calm), 0, ["iu"], RATE_HZ, 0, [arrays(*s) for s in laid])
    watch = watch_for(rule(hold, calm), 0, ["iu"], RATE_HZ, 0)
    tell_gaps = data.draw(st.booleans())
    seen, expected = {}, None
    for first, values, clipped in laid:
        if tell_gaps and expected is not None:
            watch.gap(first - expected)
        inside = max(1, len(values) - 1)
        cuts = sorted(c for c in data.draw(st.sets(st.integers(1, inside))) if c < len(values))
        for begin, stop in zip([0, *cuts], [*cuts, len(values)], strict=True):
            for event in watch.feed(*arrays(first + begin, values[begin:stop], clipped[begin:stop])):
                seen[event.details["key"]] = event
        expected = first + len(values)
    for event in watch.close():
        seen[event.details["key"]] = event
    assert sorted(seen.values(), key=lambda e: e.start_scan) == whole


def test_a_long_record_does_not_drift():
    # A sum of squares that goes on for ever would have lost the small current behind the large one.
    rms = 12.0 * np.sqrt(0.5)
    limit = dataclasses.replace(rule(0, 1), limit=rms * (1 - 1e-6), release=0.9 * rms, longest_cycle_s=0.2)
    wave = 12.0 * np.sin(2 * np.pi * (np.arange(10_000) + 0.5) / 100)
    watch = watch_for(limit, 0, ["iu"], RATE_HZ, 0)
    loud = watch.feed(*arrays(0, np.tile([1e3, -1e3], 50_000), [False] * 100_000))
    (event,) = [e for e in loud if e.end_scan is None]
    assert event.peak == pytest.approx(1e3, rel=1e-9)
    later = watch.feed(*arrays(100_000, wave, [False] * wave.size)) + watch.close()
    assert later[-1].end_scan == 109_999
    limit = dataclasses.replace(limit, limit=rms * (1 + 1e-6))
    assert rule_events(limit, 0, ["iu"], RATE_HZ, 0, [arrays(0, wave, [False] * wave.size)]) == []
    assert math.isclose(rms, 8.485281374, rel_tol=1e-9)

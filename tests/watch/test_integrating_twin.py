"""Integrating rules against slow twins, and for any block borders, over random currents and gaps."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from watch_streams import BASE, RATE_HZ, STRETCHES, arrays, laid_out
from watch_twins import slow_stays

from livesense.watch.integrating import IntegratingWatch
from livesense.watch.rules import rule_events, watch_for

# At twice the pick-up they trip after about ten scans.
RULES = {
    "A": dataclasses.replace(BASE, curve="A", tms=1e-3),
    "B": dataclasses.replace(BASE, curve="B", tms=0.8e-3),
    "C": dataclasses.replace(BASE, curve="C", tms=0.4e-3),
    "thermal": dataclasses.replace(BASE, kind="thermal", tau_s=0.03),
    "i2t": dataclasses.replace(BASE, kind="i2t", i2t=0.04),
    "plain i2t": dataclasses.replace(BASE, kind="i2t", i2t=0.04, limit=0.0, release=0.0),
}


def shape(event):
    return (
        event.start_scan,
        event.end_scan,
        event.details["trip_scan"],
        event.peak,
        event.peak_scan,
        event.peak_at_least,
        event.lost_scans,
        event.cut_short,
    )


@pytest.mark.parametrize("name", [name for name in RULES if name != "plain i2t"])
@settings(max_examples=60, deadline=None)
@given(stretches=STRETCHES)
def test_every_event_is_that_of_the_slow_twin(name, stretches):
    laid = laid_out(stretches)
    fast = rule_events(RULES[name], 0, ["iu"], RATE_HZ, 0, [arrays(*s) for s in laid])
    assert [shape(e) for e in fast] == slow_stays(RULES[name], RATE_HZ, laid)


@settings(max_examples=60, deadline=None)
@given(stretches=STRETCHES)
def test_every_scan_counts_without_a_pick_up(stretches):
    laid = laid_out(stretches)
    fast = rule_events(RULES["plain i2t"], 0, ["iu"], RATE_HZ, 0, [arrays(*s) for s in laid])
    total, seen, slow = 0.0, [], []
    for first, values, clipped in laid:
        for scan, value in enumerate(values, start=first):
            if not seen and value == 0:
                continue
            seen.append((scan, value, clipped[scan - first]))
            total += value * value / RATE_HZ
            if total >= 0.04 * (1 - 1e-9) and not slow:
                peak = max(seen, key=lambda s: (abs(s[1]), -s[0]))
                lost = scan - seen[0][0] + 1 - len(seen)
                clip = any(s[2] for s in seen)
                slow.append((seen[0][0], scan, scan, peak[1], peak[0], clip, lost, False))
    assert [shape(e) for e in fast] == slow
    for event in fast:
        # The trip is the first scan at which the integral reaches its limit.
        last = 25.0 / RATE_HZ
        assert 0.04 * (1 - 1e-9) <= event.details["i2t"] <= 0.04 + last


@pytest.mark.parametrize("name", RULES)
@settings(max_examples=40, deadline=None)
@given(stretches=STRETCHES, data=st.data())
def test_block_borders_change_nothing(name, stretches, data):
    laid = laid_out(stretches)
    whole = rule_events(RULES[name], 0, ["iu"], RATE_HZ, 0, [arrays(*s) for s in laid])
    watch = watch_for(RULES[name], 0, ["iu"], RATE_HZ, 0)
    assert isinstance(watch, IntegratingWatch)
    tell_gaps = data.draw(st.booleans())
    seen, expected = {}, None
    for first, values, clipped in laid:
        if tell_gaps and expected is not None:
            watch.gap(first - expected)
        cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(values) - 1)), max_size=len(values))))
        cuts = [cut for cut in cuts if cut < len(values)]
        for begin, stop in zip([0, *cuts], [*cuts, len(values)], strict=True):
            for event in watch.feed(*arrays(first + begin, values[begin:stop], clipped[begin:stop])):
                earlier = seen.get(event.details["key"])
                assert earlier is None or earlier.end_scan is None, "an ended event came again"
                seen[event.details["key"]] = event
        expected = first + len(values)
    for event in watch.close():
        seen[event.details["key"]] = event
    assert sorted(seen.values(), key=lambda e: e.start_scan) == whole

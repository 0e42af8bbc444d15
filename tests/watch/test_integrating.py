"""What an event of a rule that integrates says, on small cases."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from watch_streams import BASE, arrays

from livesense.bench import Watch
from livesense.watch.integrating import IntegratingWatch
from livesense.watch.overcurrent import OvercurrentWatch
from livesense.watch.rules import rule_events, watch_for

# 1 kS/s; cycles are cut after 5 scans. I²t of 0.1 A²s: 25 scans at 2 A.
RATE_HZ = 1000.0
I2T = dataclasses.replace(BASE, kind="i2t", i2t=0.1, channels=("iu", "iv"))
PLAIN = dataclasses.replace(I2T, limit=0.0, release=0.0, quantity="instant", longest_cycle_s=0.001)
CURVE = dataclasses.replace(BASE, curve="B", tms=1e-3)  # 13.5 scans at twice the pick-up
THERMAL = dataclasses.replace(BASE, kind="thermal", tau_s=0.1)


def one(values):
    array = np.array(values, dtype=float)[:, None]
    return array, np.zeros(array.shape, dtype=bool)


def events_of(rule, *stretches):
    return rule_events(rule, 3, ["iu"], RATE_HZ, 1, [(first, *one(values)) for first, values in stretches])


class TestEvents:
    def test_nothing_is_told_before_the_trip(self):
        watch = IntegratingWatch(I2T, 0, ["iu"], RATE_HZ, 0)
        assert watch.feed(0, *one([0] * 10 + [2] * 20)) == []
        (opened,) = watch.feed(30, *one([2] * 5))
        assert (opened.start_scan, opened.details["trip_scan"], opened.end_scan) == (10, 34, None)
        assert opened.text == (
            "iu: current is beyond its pick-up 1 A rms; peak so far 2 A; 0.1 A²s were reached after 25 ms"
        )
        assert watch.feed(35, *one([2] * 5)) == [], "nothing new to say"
        (grown,) = watch.feed(40, *one([-2, -3, -2, -2, -2]))
        assert (grown.peak, grown.end_scan) == (-3.0, None)
        (ended,) = watch.feed(45, *one([0] * 5))
        assert (ended.start_scan, ended.end_scan, ended.peak_scan) == (10, 44, 41)
        assert opened.details["key"] == grown.details["key"] == ended.details["key"]
        assert ended.text == (
            "iu: current peaked at −3 A, pick-up 1 A rms, over 35 ms; 0.1 A²s were reached after 25 ms"
        )
        assert watch.close() == []

    def test_each_kind_carries_its_own_name_and_bound(self):
        (curve,) = events_of(CURVE, (0, [2] * 20))
        assert (curve.kind, curve.channel, curve.group, curve.rule) == ("inverse-time", "iu", 1, 3)
        assert (curve.limit, curve.unit, curve.details["limit_unit"]) == (1.0, "A", "A")
        assert "; inverse-time curve B tripped after 14 ms" in curve.text
        (thermal,) = events_of(THERMAL, (0, [2] * 40))
        assert (thermal.kind, thermal.details["limit_unit"]) == ("thermal", "A")
        # 0.1 s · ln(4 / 3) = 28.77 ms.
        assert "; the thermal image tripped after 29 ms" in thermal.text
        (i2t,) = events_of(I2T, (0, [2] * 40))
        assert (i2t.kind, i2t.limit, i2t.details["limit_unit"]) == ("i2t", 0.1, "A²s")

    def test_what_belongs_to_an_event_before_and_after(self):
        rule = dataclasses.replace(I2T, pre_s=0.02, post_s=0.05)
        (event,) = events_of(rule, (0, [2] * 40))
        assert (event.details["pre_s"], event.details["post_s"]) == (0.02, 0.05)

    def test_each_channel_by_itself(self):
        values = np.zeros((60, 2))
        values[20:50, 1] = 2.0
        clipped = values > 1
        (event,) = rule_events(I2T, 0, ["iu", "iv"], RATE_HZ, 0, [(0, values, clipped)])
        assert (event.channel, event.start_scan, event.peak_at_least) == ("iv", 20, True)
        assert "peaked at 2 A or more," in event.text
        assert "clipped at the end of the range" in event.text

    def test_the_end_of_the_run_cuts_it_short(self):
        (event,) = events_of(I2T, (0, [2] * 33))
        assert (event.end_scan, event.cut_short) == (32, True)
        assert event.text.endswith("cut short: the recording ended or the device restarted")

    def test_the_last_stored_scan_may_be_stated(self):
        watch = IntegratingWatch(I2T, 0, ["iu"], RATE_HZ, 0)
        watch.feed(0, *one([2] * 33))
        assert watch.close(40)[0].end_scan == 40

    def test_a_trip_within_the_last_part_of_a_cycle_is_seen(self):
        (event,) = events_of(I2T, (0, [0] * 10 + [2] * 27))
        assert event.details["trip_scan"] == 34
        (event,) = events_of(CURVE, (0, [0] * 10 + [2] * 14))
        assert (event.details["trip_scan"], event.end_scan) == (23, 23)


class TestReset:
    def test_below_the_drop_off_a_sum_starts_from_nothing(self):
        assert events_of(I2T, (0, [2] * 20 + [0.9] * 5 + [2] * 20)) == []

    def test_between_drop_off_and_pick_up_it_waits(self):
        (event,) = events_of(I2T, (0, [2] * 20 + [0.96] * 50 + [2] * 10))
        assert (event.start_scan, event.details["trip_scan"]) == (0, 74)

    def test_the_pick_up_itself_is_not_beyond(self):
        assert events_of(I2T, (0, [1.0] * 500)) == []
        assert len(events_of(I2T, (0, [1.001] * 500))) == 1

    def test_the_drop_off_itself_ends(self):
        assert len(events_of(I2T, (0, ([2] * 30 + [0.95] * 5) * 3))) == 3

    def test_the_image_stays_warm(self):
        # After the first trip it is above 1: the next pick-up trips at once.
        first, second = events_of(THERMAL, (0, [3] * 100 + [0] * 5 + [1.2] * 10))
        assert first.details["trip_scan"] == first.start_scan + 11  # 0.1 s · ln(9 / 8) = 11.78 ms
        assert (second.start_scan, second.details["trip_scan"]) == (105, 105)

    def test_after_a_restart_all_is_cold(self):
        watch = IntegratingWatch(THERMAL, 0, ["iu"], RATE_HZ, 0)
        watch.feed(0, *one([3] * 100))
        assert len(watch.close()) == 1
        (event,) = watch.feed(100, *one([2] * 30))
        assert event.details["trip_scan"] == 128

    def test_a_part_of_a_cycle_must_be_confirmed(self):
        # From 40° to the next rise through zero a sine of 0.99 reads 1.003; whole ones read less than 1.
        wave = 0.99 * math.sqrt(2) * np.sin(2 * np.pi * (np.arange(400) + 4.5) / 40)
        rule = dataclasses.replace(I2T, longest_cycle_s=0.1)
        (event,) = events_of(rule, (0, [*wave, *(2 * wave)]))
        assert event.start_scan > 300


class TestGaps:
    def test_a_sum_keeps_its_value_and_the_event_says_what_was_lost(self):
        (event,) = events_of(I2T, (0, [2] * 20), (30, [2] * 20))
        assert (event.start_scan, event.details["trip_scan"], event.lost_scans) == (0, 34, 10)
        assert "; 10 scans were lost inside" in event.text
        assert "; the trip may have come earlier" in event.text

    def test_the_image_cools(self):
        # 3 A for 10 ms: 0.8565. After 50 ms of nothing 0.5195: 2 A needs 0.1 s · ln(3.4805 / 3) = 14.86 ms.
        (event,) = events_of(THERMAL, (0, [3] * 10), (60, [2] * 30))
        assert event.details["trip_scan"] == 60 + 15 - 1

    def test_scans_that_nobody_can_count_take_no_time(self):
        watch = IntegratingWatch(THERMAL, 0, ["iu"], RATE_HZ, 0)
        watch.feed(0, *one([3] * 10))
        watch.gap(None)
        # 0.1 s · ln(3.1434 / 3) = 4.67 ms.
        (event,) = watch.feed(10, *one([2] * 20))
        assert (event.details["trip_scan"], event.details["lost_uncounted"]) == (14, True)
        assert "some scans that nobody could count were lost inside" in event.text
        assert "; the trip may have come earlier" in event.text

    def test_a_gap_that_was_told_is_the_same_gap(self):
        watch = IntegratingWatch(I2T, 0, ["iu"], RATE_HZ, 0)
        watch.gap(7)
        watch.feed(7, *one([2] * 20))
        watch.gap(10)
        (event,) = watch.feed(37, *one([2] * 20))
        assert event.lost_scans == 10

    def test_a_gap_ends_no_event(self):
        # The part of a cycle before it is below the drop-off: it tells nothing.
        (event,) = events_of(I2T, (0, [2] * 30 + [0.1, 0.2]), (40, [0.1, 2.0, 2, 2, 2, 2, 2]))
        assert (event.start_scan, event.end_scan, event.lost_scans) == (0, 46, 8)

    def test_the_peak_may_lie_in_a_part_of_a_cycle(self):
        # 1.8 A in one scan of four is 0.9 A rms: no cycle that would go on by itself.
        (event,) = events_of(I2T, (0, [1.2] * 100 + [0, -1.8, 0, 0]), (110, [1.2] * 10))
        assert (event.peak, event.peak_scan, event.end_scan) == (-1.8, 101, 119)

    def test_a_peak_before_the_pick_up_is_not_its_own(self):
        (event,) = events_of(I2T, (0, [2.0, 0, 0, 0, 0] + [1.2] * 100))
        assert (event.start_scan, event.peak, event.peak_scan) == (5, 1.2, 5)

    def test_scans_lost_after_the_end_are_not_inside(self):
        (event,) = events_of(I2T, (0, [2] * 30 + [0.1, 0.2]), (40, [0] * 20))
        assert (event.end_scan, event.lost_scans) == (29, 0)

    def test_going_back_is_refused(self):
        watch = IntegratingWatch(I2T, 0, ["iu"], RATE_HZ, 0)
        watch.feed(10, *one([0]))
        with pytest.raises(ValueError, match="expected scan 11 or later, got 10"):
            watch.feed(10, *one([0]))


class TestWithoutPickUp:
    def test_it_trips_once_and_is_over(self):
        watch = IntegratingWatch(PLAIN, 0, ["iu"], RATE_HZ, 0)
        assert watch.feed(0, *one([0] * 50)) == []
        assert watch.feed(50, *one([2] * 24)) == []
        (event,) = watch.feed(74, *one([-3.0, 2.0]))
        assert (event.start_scan, event.end_scan, event.details["trip_scan"]) == (50, 74, 74)
        assert (event.peak, event.limit, event.details["limit_unit"]) == (-3.0, 0.1, "A²s")
        assert event.text == "iu: current peaked at −3 A; 0.1 A²s were reached after 25 ms"
        assert watch.feed(76, *one([2] * 100)) == []
        assert watch.close() == []
        assert len(watch.feed(176, *one([2] * 100))) == 1, "cold again after a restart"

    def test_reaching_it_exactly_is_enough(self):
        # A third of the sum is no whole number: three of them are rounded to a little less than all.
        (event,) = events_of(dataclasses.replace(PLAIN, i2t=0.012), (0, [2] * 30))
        assert event.details["trip_scan"] == 2

    def test_small_currents_add_up_over_gaps(self):
        watch = IntegratingWatch(PLAIN, 0, ["iu"], RATE_HZ, 0)
        watch.gap(None)
        watch.feed(0, *one([1] * 60))
        watch.gap(20)
        watch.gap(None)
        (event,) = watch.feed(85, *one([1, math.nan] * 60))
        assert (event.details["trip_scan"], event.lost_scans) == (85 + 78, 25)
        assert event.text.endswith(
            "; 25 scans were lost inside; further scans that nobody could count were lost inside; "
            "the trip may have come earlier"
        )

    def test_one_enormous_current_is_enough(self):
        (event,) = events_of(PLAIN, (0, [1e150] * 30))
        assert event.details["trip_scan"] == 0


def test_cycle_rms_says_so():
    rule = dataclasses.replace(BASE, kind="overcurrent", release_hold_s=0.005)
    (event,) = events_of(rule, (0, [0.0] * 10 + [1.0, 2.0, -2.0] * 10 + [0.0] * 20))
    assert event.text.startswith("iu: rms over a cycle peaked at 1.732 A, limit 1 A, over ")
    assert event.details["quantity"] == "cycle-rms"


def test_a_part_of_a_cycle_is_no_overcurrent():
    rule = dataclasses.replace(BASE, kind="overcurrent", longest_cycle_s=0.1, hold_s=0.0)
    assert events_of(rule, (0, [2.0] * 99)) == []
    assert len(events_of(rule, (0, [2.0] * 100))) == 1


def test_a_gap_that_was_told_of_on_the_rms_of_cycles():
    rule = dataclasses.replace(BASE, kind="overcurrent")
    watch = OvercurrentWatch(rule, 0, ["iu"], RATE_HZ, 0)
    watch.gap(3)
    watch.feed(3, *one([2] * 12))
    watch.gap(4)
    # The part of a cycle before the gap and the one after it belong to nothing of their own.
    (event,) = watch.feed(19, *one([2] * 6))
    assert (event.start_scan, event.lost_scans, event.end_scan) == (3, 4, None)


@pytest.mark.parametrize(
    ("rule", "made"),
    [
        (CURVE, IntegratingWatch),
        (PLAIN, IntegratingWatch),
        (THERMAL, IntegratingWatch),
        (dataclasses.replace(BASE, kind="overcurrent"), OvercurrentWatch),
    ],
)
def test_what_watches_a_rule(rule: Watch, made: type):
    assert isinstance(watch_for(rule, 0, ["iu"], RATE_HZ, 0), made)


def test_a_rule_that_cannot_be_integrated_is_refused():
    rule = dataclasses.replace(BASE, kind="overcurrent")
    with pytest.raises(ValueError, match="kind: expected inverse-time, thermal, i2t, got 'overcurrent'"):
        IntegratingWatch(rule, 0, ["iu"], RATE_HZ, 0)
    with pytest.raises(ValueError, match="rate_hz: expected more than 0"):
        IntegratingWatch(CURVE, 0, ["iu"], 0.0, 0)


def test_small_blocks_wait_and_the_end_takes_them_too():
    # A batch is as long as a cycle may be, here 5 scans.
    watch = IntegratingWatch(I2T, 0, ["iu"], RATE_HZ, 0)
    assert [event for n in range(24) for event in watch.feed(n, *one([2]))] == []
    (opened,) = watch.feed(24, *one([2]))
    assert (opened.details["trip_scan"], opened.end_scan) == (24, None)
    assert watch.feed(25, *one([-9])) == []
    watch.gap(2)
    assert watch.feed(28, *one([2] * 4)) == []
    (grown,) = watch.feed(32, *one([2]))
    assert (grown.peak, grown.lost_scans, grown.end_scan) == (-9.0, 2, None)
    assert watch.feed(33, *one([3])) == []
    (ended,) = watch.close()
    assert (ended.end_scan, ended.lost_scans, ended.cut_short) == (33, 2, True)


def test_what_a_gap_makes_known_is_told_with_the_next_block():
    watch = IntegratingWatch(I2T, 0, ["iu"], RATE_HZ, 0)
    watch.feed(0, *one([2] * 23))
    watch.feed(23, *one([2] * 3))
    watch.gap(3)
    opened, grown = watch.feed(29, *one([2] * 5))
    assert (opened.details["trip_scan"], opened.lost_scans, grown.lost_scans) == (24, 0, 3)
    watch.feed(34, *one([0] * 3))
    # Scans that jump take what was kept as a gap does.
    (ended,) = [event for event in watch.feed(40, *one([0] * 5)) if event.end_scan is not None]
    assert ended.end_scan == 33


def test_columns_must_fit_the_channels():
    watch = IntegratingWatch(I2T, 0, ["iu", "iv"], RATE_HZ, 0)
    with pytest.raises(ValueError, match=r"expected \(n, 2\), got \(4, 1\)"):
        watch.feed(*arrays(0, [0.0] * 4, [False] * 4))
    assert watch.feed(0, np.zeros((0, 2)), np.zeros((0, 2), dtype=bool)) == []

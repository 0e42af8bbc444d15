"""What an overcurrent event says, on small cases that one can check by eye."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from livesense.bench import Watch
from livesense.watch.excess import scans_for
from livesense.watch.overcurrent import OvercurrentWatch
from livesense.watch.rules import rule_events

RATE_HZ = 20_000.0
RULE = Watch(
    kind="overcurrent",
    quantity="instant",
    channels=("iu", "iv", "iw"),
    limit=12.0,
    unit="A",
    hold_s=100e-6,
    release=11.4,
    release_hold_s=0.05,
    pre_s=0.0,
    post_s=0.0,
)
VECTOR = dataclasses.replace(RULE, quantity="vector")
NAMES = ["iu", "iv", "iw"]


def three(values, column=0):
    out = np.zeros((len(values), 3))
    out[:, column] = values
    return out


def unclipped(values):
    return np.zeros(values.shape, dtype=bool)


def events_of(values, rule=RULE, clipped=None, names=NAMES):
    clipped = unclipped(values) if clipped is None else clipped
    return rule_events(rule, 4, names, RATE_HZ, 1, [(1000, values, clipped)])


def test_definite_time_is_counted_in_scans_to_the_scan():
    # 50 ms at 20 kS/s is 1000 scans in a row, one fewer is no event (closed form, no source needed).
    rule = dataclasses.replace(RULE, hold_s=0.05)
    for count, expected in ((999, 0), (1000, 1)):
        values = three([0.0] * 10 + [13.0] * count + [0.0] * 2000)
        events = events_of(values, rule)
        assert len(events) == expected
    assert (events[0].start_scan, events[0].end_scan) == (1010, 2009)


@pytest.mark.parametrize(
    ("seconds", "scans"), [(0.0, 1), (50e-6, 1), (100e-6, 2), (101e-6, 3), (0.05, 1000), (0.3, 6000)]
)
def test_times_become_scans_without_rounding_up_exact_ones(seconds, scans):
    assert scans_for(seconds, RATE_HZ) == scans


def test_the_limit_itself_is_not_beyond():
    assert events_of(three([12.0] * 50)) == []
    assert events_of(three([12.0 * (1 + 1e-10)] * 50)) == []
    assert len(events_of(three([12.001] * 50))) == 1


def test_one_overload_of_an_alternating_current_is_one_event():
    t = np.arange(8000) / RATE_HZ
    current = np.where((t > 0.05) & (t < 0.15), 15.0, 5.0) * np.sin(2 * np.pi * 50 * t)
    (event,) = events_of(three(current))
    beyond = np.flatnonzero(np.abs(current) > 12)
    held = np.flatnonzero(np.abs(current) > 11.4)
    assert (event.start_scan, event.end_scan) == (1000 + beyond[0], 1000 + held[-1])


def test_an_event_says_channel_peak_limit_and_duration():
    (event,) = events_of(three([0.0] * 20 + [-12.5, -14.25, -12.5, -11.5] + [0.0] * 2000, column=1))
    assert (event.kind, event.channel, event.group, event.rule) == ("overcurrent", "iv", 1, 4)
    assert (event.peak, event.peak_scan, event.peak_at_least) == (-14.25, 1021, False)
    assert (event.start_scan, event.end_scan) == (1020, 1023)
    assert event.text == "iv: current peaked at −14.25 A, limit 12 A, over 200 µs"
    assert not event.cut_short


def test_a_clipped_peak_is_at_least_so_high():
    values = three([0.0] * 5 + [16.5] * 5 + [0.0] * 2000)
    (event,) = events_of(values, clipped=values > 16)
    assert event.peak_at_least
    assert "peaked at 16.5 A or more," in event.text
    assert "clipped" in event.text


def test_clipping_of_another_channel_does_not_matter():
    values = three([0.0] * 5 + [14.0] * 5 + [0.0] * 2000)
    clipped = unclipped(values)
    clipped[:, 2] = True
    assert not events_of(values, clipped=clipped)[0].peak_at_least


def test_events_come_when_they_open_change_and_end():
    watch = OvercurrentWatch(dataclasses.replace(RULE, release_hold_s=200e-6), 0, NAMES, RATE_HZ, 0)

    def feed(first, values):
        return watch.feed(first, three(values), unclipped(three(values)))

    assert feed(0, [0.0, 13.0]) == []
    (opened,) = feed(2, [13.0])
    assert (opened.start_scan, opened.end_scan, opened.peak) == (1, None, 13.0)
    assert opened.text == "iu: current is beyond its limit 12 A; peak so far 13 A"
    assert feed(3, [12.5, 0.0]) == [], "nothing new to say"
    (grown,) = feed(5, [15.0])
    assert (grown.peak, grown.end_scan) == (15.0, None)
    (ended,) = feed(6, [0.0] * 4)
    assert (ended.start_scan, ended.end_scan, ended.peak_scan) == (1, 5, 5)
    assert opened.details["key"] == grown.details["key"] == ended.details["key"]
    assert watch.close() == []


def test_several_events_within_one_block():
    rule = dataclasses.replace(RULE, hold_s=0.0, release_hold_s=100e-6)
    values = three([13.0, 0.0, 0.0, 0.0, -14.0, 0.0, 15.0, 0.0, 0.0, 0.0])
    assert [(e.start_scan, e.end_scan, e.peak) for e in events_of(values, rule)] == [
        (1000, 1000, 13.0),
        (1004, 1006, 15.0),
    ]


class TestGaps:
    def watch(self, **changes):
        rule = dataclasses.replace(RULE, hold_s=150e-6, release_hold_s=250e-6, **changes)
        return OvercurrentWatch(rule, 0, ["iu"], RATE_HZ, 0)

    def feed(self, watch, first, values):
        array = np.array(values)[:, None]
        return watch.feed(first, array, unclipped(array))

    def test_the_count_beyond_the_limit_starts_anew(self):
        watch = self.watch()
        self.feed(watch, 0, [0.0, 13.0, 13.0])
        watch.gap(5)
        assert self.feed(watch, 8, [13.0, 13.0, 0.0]) == []
        assert watch.close() == []

    def test_an_open_event_stays_open_and_counts_what_was_lost_inside(self):
        watch = self.watch()
        self.feed(watch, 0, [13.0] * 4)
        watch.gap(7)
        assert self.feed(watch, 11, [0.0]) == []
        (event,) = self.feed(watch, 12, [12.5])
        assert (event.lost_scans, event.end_scan) == (7, None)
        (event,) = self.feed(watch, 13, [0.0] * 5)
        assert (event.start_scan, event.end_scan, event.lost_scans) == (0, 12, 7)
        assert "7 scans were lost inside" in event.text

    def test_one_lost_scan_reads_as_one(self):
        watch = self.watch()
        self.feed(watch, 0, [13.0] * 4)
        watch.gap(1)
        assert "1 scan was lost inside" in self.feed(watch, 5, [13.0])[0].text

    def test_scans_lost_after_its_end_are_not_inside(self):
        watch = self.watch()
        self.feed(watch, 0, [13.0] * 4 + [0.0] * 2)
        watch.gap(7)
        (event,) = self.feed(watch, 13, [0.0] * 5)
        assert (event.end_scan, event.lost_scans) == (3, 0)

    def test_the_count_at_or_below_release_starts_anew(self):
        watch = self.watch()
        self.feed(watch, 0, [13.0] * 4 + [0.0] * 4)
        watch.gap(2)
        assert self.feed(watch, 10, [0.0] * 4) == []
        (event,) = self.feed(watch, 14, [13.0] + [0.0] * 5)
        assert (event.start_scan, event.end_scan, event.lost_scans) == (0, 14, 2)

    def test_a_jump_of_the_index_is_a_gap(self):
        watch = self.watch()
        self.feed(watch, 0, [13.0] * 4)
        assert self.feed(watch, 9, [13.0])[0].lost_scans == 5

    def test_scans_that_nobody_can_count_are_told_without_a_number(self):
        watch = self.watch()
        self.feed(watch, 0, [13.0] * 4)
        watch.gap(None)
        (event,) = self.feed(watch, 4, [13.0])
        assert event.lost_scans == 0
        assert event.details["lost_uncounted"]
        assert "some scans that nobody could count were lost inside" in event.text
        watch.gap(3)
        assert "further scans that nobody could count" in self.feed(watch, 8, [13.0])[0].text

    def test_a_gap_before_anything_came(self):
        watch = self.watch()
        watch.gap(3)
        (event,) = self.feed(watch, 3, [13.0] * 4)
        assert (event.start_scan, event.lost_scans) == (3, 0)

    def test_a_gap_at_the_very_end_is_not_inside(self):
        watch = self.watch()
        self.feed(watch, 0, [13.0] * 4)
        watch.gap(9)
        (event,) = watch.close()
        assert (event.end_scan, event.lost_scans) == (3, 0)


class TestCutShort:
    def test_the_end_of_a_run_closes_at_the_last_stored_scan(self):
        (event,) = events_of(three([0.0] * 3 + [13.0] * 4 + [0.0] * 10))
        assert (event.start_scan, event.end_scan, event.cut_short) == (1003, 1016, True)
        assert event.text.endswith("cut short: the recording ended or the device restarted")

    def test_scans_lost_late_are_inside_then(self):
        watch = OvercurrentWatch(RULE, 0, ["iu"], RATE_HZ, 0)
        ones = np.full((4, 1), 13.0)
        watch.feed(0, ones, unclipped(ones))
        watch.gap(6)
        watch.feed(10, ones * 0, np.ones((4, 1), dtype=bool))
        (event,) = watch.close()
        assert (event.end_scan, event.lost_scans, event.peak_at_least) == (13, 6, True)

    def test_the_last_stored_scan_may_be_stated(self):
        watch = OvercurrentWatch(RULE, 0, ["iu"], RATE_HZ, 0)
        ones = np.full((4, 1), 13.0)
        watch.feed(0, ones, unclipped(ones))
        assert watch.close(2)[0].end_scan == 2

    def test_after_a_restart_all_starts_anew(self):
        watch = OvercurrentWatch(RULE, 0, ["iu"], RATE_HZ, 0)
        one = np.full((1, 1), 13.0)
        watch.feed(50, one, unclipped(one))
        assert watch.close() == [], "one scan is no event yet"
        assert watch.feed(51, one, unclipped(one)) == [], "and its count does not go on after the restart"


class TestVector:
    def test_it_is_flat_for_balanced_currents_and_one_event_for_three(self):
        angle = 2 * np.pi * 50 * np.arange(4000) / RATE_HZ
        values = 13 * np.stack([np.cos(angle - k * 2 * np.pi / 3) for k in range(3)], axis=1)
        (event,) = events_of(values, VECTOR)
        assert event.channel == "iu+iv+iw"
        assert event.start_scan == 1000
        assert event.peak == pytest.approx(13.0)
        assert event.text.startswith("iu+iv+iw: current vector peaked at 13 A")

    def test_its_length_is_that_of_the_definition(self):
        values = np.array([[12.0, -9.0, 7.0]] * 4)
        (event,) = events_of(values, dataclasses.replace(VECTOR, limit=10.0, release=9.5))
        assert event.peak == pytest.approx(math.sqrt(2 / 3 * (144 + 81 + 49)), rel=1e-12)

    def test_any_clipped_phase_makes_it_at_least(self):
        values = np.full((4, 3), 12.0)
        clipped = unclipped(values)
        clipped[2, 1] = True
        assert events_of(values, VECTOR, clipped)[0].peak_at_least


def test_an_empty_block_changes_nothing():
    watch = OvercurrentWatch(RULE, 0, NAMES, RATE_HZ, 0)
    assert watch.feed(0, np.zeros((0, 3)), np.zeros((0, 3), dtype=bool)) == []


def test_durations_read_in_fitting_units():
    long = events_of(three([13.0] * 40_000 + [0.0] * 2000))[0]
    assert long.text.endswith("over 2 s")
    short = events_of(three([13.0] * 100 + [0.0] * 2000))[0]
    assert short.text.endswith("over 5 ms")


@pytest.mark.parametrize(
    ("rule", "names", "rate_hz", "message"),
    [
        (
            dataclasses.replace(RULE, quantity="mean"),
            NAMES,
            1.0,
            "quantity: expected instant, vector, cycle-rms",
        ),
        (VECTOR, ["iu", "iv"], 1.0, "a vector needs three phase currents, got 2"),
        (dataclasses.replace(RULE, release=12.5), NAMES, 1.0, "release: expected above 0 and at most 12"),
        (RULE, NAMES, 0.0, "rate_hz: expected more than 0"),
    ],
)
def test_a_rule_that_cannot_be_watched_is_refused(rule, names, rate_hz, message):
    with pytest.raises(ValueError, match=message):
        OvercurrentWatch(rule, 0, names, rate_hz, 0)


def test_columns_must_fit_the_channels():
    watch = OvercurrentWatch(RULE, 0, NAMES, RATE_HZ, 0)
    with pytest.raises(ValueError, match=r"expected \(n, 3\), got \(4, 2\)"):
        watch.feed(0, np.zeros((4, 2)), np.zeros((4, 2), dtype=bool))


def test_what_is_no_number_is_beyond_nothing_and_never_the_peak():
    # A device that sends floats can send NaN: here once inside an excess, and before one in its block.
    values = three([math.nan] * 3 + [0.0] * 7 + [13.0] * 5 + [math.nan] + [14.0] * 4 + [0.0] * 2000)
    (event,) = events_of(values)
    assert (event.start_scan, event.end_scan) == (1010, 1019)
    assert (event.peak, event.peak_scan) == (14.0, 1016)

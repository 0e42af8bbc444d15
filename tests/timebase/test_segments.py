"""Where segments begin in time, and the device's own clock."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from livesense.samples import (
    CodeType,
    Description,
    Gap,
    GapCause,
    GroupInfo,
    ScanBlock,
    SegmentStart,
)
from livesense.timebase import Timebase


def starts(events: list[Any]) -> list[SegmentStart]:
    return [event for event in events if isinstance(event, SegmentStart)]


def one_start(events: list[Any]) -> SegmentStart:
    (start,) = starts(events)
    return start


def test_the_runs_first_scan_is_time_zero(packets: Any, when: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    assert one_start(base.packets(packets((0, 5, 100)), when(77.0))) == SegmentStart(0, 0, 0.0, 1000.0)


def test_another_groups_first_segment_is_placed_by_its_arrival(
    packets: Any, when: Any, fast: GroupInfo, slow: GroupInfo
) -> None:
    base = Timebase([fast, slow])
    base.packets(packets((0, 5, 100)), when(10.0))
    # The run's first scan was taken at 9.9 s; this group's, of three, at 10.7 s.
    assert one_start(base.packets(packets((1, 0, 3)), when(11.0))).start_s == pytest.approx(0.8)
    assert base.segments(1).time_s(np.array([0, 2])).tolist() == pytest.approx([0.8, 1.0])


def test_groups_that_began_together_lie_as_their_counters_do(
    packets: Any, when: Any, fast: GroupInfo, slow: GroupInfo
) -> None:
    base = Timebase([fast, slow])
    # The slow group's first scan is sent at once, the fast one's with 30 more: arrivals say 0.07 s apart.
    slow_first = one_start(base.packets(packets((1, 0, 1)), when(10.0)))
    fast_first = one_start(base.packets(packets((0, 0, 30)), when(10.03)))
    assert (slow_first.start_s, fast_first.start_s) == (0.0, 0.0)


def test_groups_joined_midway_lie_as_their_counters_do_from_the_earliest_scan_on(
    packets: Any, when: Any, fast: GroupInfo, slow: GroupInfo
) -> None:
    base = Timebase([fast, slow])
    # An hour after the device's start.
    assert one_start(base.packets(packets((0, 3_600_050, 20)), when(10.02))).start_s == 0.0
    moved, own = starts(base.packets(packets((1, 35_998, 4)), when(10.21)))
    # Scan 35 998 was taken 0.25 s before scan 3 600 050, and is the run's first one now.
    assert own == SegmentStart(1, 0, 0.0, 10.0)
    assert (moved.group, moved.first) == (0, 0)
    assert moved.start_s == pytest.approx(0.25)
    assert base.segments(0).segments == (moved,)
    # After a restart both begin anew, again together.
    base.packets(packets((0, 7, 20)), when(20.0))
    base.packets(packets((0, 27, 20)), when(20.02))
    again = base.segments(0).segments[1]
    assert again.start_s == pytest.approx(20.0 - 0.02 - 10.0 + 0.25)
    after = one_start(base.packets(packets((1, 1, 1)), when(20.2)))
    assert after.start_s == pytest.approx(again.start_s - 0.007 + 0.1)


def test_an_earlier_scan_without_a_counter_moves_the_others_too(
    packets: Any, when: Any, fast: GroupInfo, slow: GroupInfo
) -> None:
    base = Timebase([dataclasses.replace(fast, rate_hz=None), slow])
    assert one_start(base.packets(packets((0, None, 20)), when(10.0))).start_s == 0.0
    moved, own = starts(base.packets(packets((1, None, 4)), when(10.1)))
    assert (moved.start_s, own.start_s) == (pytest.approx(0.3), 0.0)


def test_packets_of_one_read_came_one_after_the_other(packets: Any, when: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 900, 100)), when(1.0))
    start = one_start(base.packets(packets((0, 0, 100), (0, 100, 100), (0, 200, 50)), when(11.0)))
    # 250 scans ended at 11.0 s; the run's first scan was taken at 0.9 s.
    assert start.start_s == pytest.approx(11.0 - 0.25 - 0.9)


def test_a_restart_is_placed_by_the_arrival_of_the_held_packet(
    packets: Any, when: Any, fast: GroupInfo
) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 900, 100)), when(1.0))
    assert starts(base.packets(packets((0, 0, 100)), when(5.0))) == []
    start = one_start(base.packets(packets((0, 100, 100)), when(6.0)))
    assert start.first == 100
    assert start.start_s == pytest.approx(5.0 - 0.1 - 0.9)


def test_a_segment_never_begins_before_the_one_before_it_ends(
    packets: Any, when: Any, fast: GroupInfo
) -> None:
    base = Timebase([fast], boot="1")
    base.packets(packets((0, 0, 100)), when(1.0))
    base.packets(packets((0, 100, 5000)), when(1.1))
    base.description(Description((fast,), boot="2"))
    assert one_start(base.packets(packets((0, 0, 10)), when(1.2))).start_s == pytest.approx(5.1)


def test_without_an_arrival_clock_segments_follow_on(packets: Any, fast: GroupInfo, slow: GroupInfo) -> None:
    base = Timebase([fast, slow], boot="1")
    base.packets(packets((0, 0, 100), (1, 0, 2)), None)
    base.description(Description((fast, slow), boot="2"))
    found = starts(base.packets(packets((0, 0, 1), (1, 0, 1)), None))
    assert found == [SegmentStart(0, 100, 0.1, 1000.0), SegmentStart(1, 2, 0.2, 10.0)]
    assert base.segments(1).segments[0].start_s == 0.0


def test_a_changed_rate_starts_a_segment(packets: Any, when: Any, fast: GroupInfo, slow: GroupInfo) -> None:
    base = Timebase([fast, slow])
    base.packets(packets((0, 0, 100), (1, 0, 1)), None)
    faster = dataclasses.replace(fast, rate_hz=2000.0)
    assert base.description(Description((faster, slow))) == []
    events = base.packets(packets((0, 110, 1), (1, 1, 1)), None)
    assert [type(event) for event in events[:3]] == [Gap, SegmentStart, ScanBlock]
    assert starts(events) == [SegmentStart(0, 110, 0.11, 2000.0)]
    assert base.segments(0).time_s(np.array([109, 110, 112])).tolist() == pytest.approx([0.109, 0.11, 0.111])


def test_an_unknown_rate(packets: Any, when: Any, fast: GroupInfo) -> None:
    unknown = dataclasses.replace(fast, rate_hz=None)
    base = Timebase([unknown], boot="1")
    base.packets(packets((0, 0, 100)), when(1.0))
    base.description(Description((unknown,), boot="2"))
    assert one_start(base.packets(packets((0, 0, 1)), when(3.0))) == SegmentStart(0, 100, 2.0, None)
    base.description(Description((unknown,), boot="3"))
    assert one_start(base.packets(packets((0, 0, 1)), None)) == SegmentStart(0, 101, 2.0, None)


def test_a_computer_that_slept(packets: Any, when: Any, fast: GroupInfo, slow: GroupInfo) -> None:
    base = Timebase([fast, slow], boot="1")
    base.packets(packets((0, 0, 1)), when(0.001))
    # An hour passed on the wall, a tenth of a second on the clock that stood still.
    base.packets(packets((0, 3_600_000, 1)), when(0.101, 3600.001))
    base.description(Description((fast, slow), boot="2"))
    start = one_start(base.packets(packets((0, 0, 1)), when(1.101, 3601.001)))
    assert start.start_s == pytest.approx(3601.0)


def test_a_wall_clock_that_is_set_back_changes_nothing(packets: Any, when: Any, fast: GroupInfo) -> None:
    base = Timebase([fast], boot="1")
    base.packets(packets((0, 0, 1)), when(0.001))
    base.packets(packets((0, 1, 1)), when(1.0, -500.0))
    base.description(Description((fast,), boot="2"))
    assert one_start(base.packets(packets((0, 0, 1)), when(2.001, -499.0))).start_s == pytest.approx(2.0)


# The device's clock


def clocked(name: str = "t_us", rate_hz: float | None = 1000.0) -> GroupInfo:
    return GroupInfo(rate_hz, CodeType.TEXT, None, ("iu",), clock=name)


def ticks(events: list[Any]) -> list[int]:
    return [tick for event in events if isinstance(event, ScanBlock) for tick in event.clock.tolist()]


def test_the_clock_goes_on_where_it_wraps(packets: Any) -> None:
    base = Timebase([clocked()])
    before = [2**32 - 2000, 2**32 - 1000, 0, 1000, 995]
    first = base.packets(packets(*((0, k, 1) for k in range(5)), clock=before), None)
    assert ticks(first) == [2**32 - 2000, 2**32 - 1000, 2**32, 2**32 + 1000, 2**32 + 995]
    assert ticks(base.packets(packets((0, 5, 1), clock=[2000]), None)) == [2**32 + 2000]


def test_a_long_gap_may_hide_several_wraps(packets: Any, when: Any) -> None:
    base = Timebase([clocked()])
    base.packets(packets((0, 0, 1), clock=[0]), when(0.0))
    lost_us = 5 * 2**32 + 123_000
    later = base.packets(packets((0, lost_us // 1000, 1), clock=[lost_us % 2**32]), when(lost_us / 1e6))
    assert ticks(later) == [lost_us]


def test_without_a_rate_or_a_counter_the_clock_only_goes_forward(packets: Any) -> None:
    base = Timebase([clocked(rate_hz=None)])
    base.packets(packets((0, None, 1), clock=[0]), None)
    base.interrupted(GapCause.OUTAGE)
    assert ticks(base.packets(packets((0, None, 1), clock=[3 * 2**30]), None)) == [3 * 2**30]


def test_a_restarted_clock_is_taken_as_it_comes(packets: Any) -> None:
    base = Timebase([clocked()])
    sent = [(0, 70, 1), (0, 71, 1), (0, 0, 1), (0, 1, 1), (0, 2, 1)]
    events = base.packets(packets(*sent, clock=[70_000, 71_000, 500, 1500, 2500]), None)
    assert ticks(events) == [70_000, 71_000, 500, 1500, 2500]


@pytest.mark.parametrize(("name", "per_s"), [("t_us", 1e6), ("t_ms", 1e3)])
@pytest.mark.parametrize("true_hz", [100.0, 100.3])
def test_the_rate_by_the_devices_clock_also_from_a_file(
    packets: Any, name: str, per_s: float, true_hz: float
) -> None:
    base = Timebase([clocked(name, 100.0)])
    for k in range(0, 3000, 50):
        clock = [int(j / true_hz * per_s) % 2**32 for j in range(k, k + 50)]
        base.packets(packets(*((0, j, 1) for j in range(k, k + 50)), clock=clock), None)
    estimate = base.rate_fit(0)
    assert estimate is not None
    assert estimate.unit == "Hz"
    assert abs(estimate.value - true_hz) < 2 * estimate.u
    assert estimate.u < 1e-4 * true_hz
    jitter = base.clock_jitter_s(0)
    assert jitter is not None
    assert jitter < 1 / per_s


def test_a_held_packet_keeps_its_clock(packets: Any) -> None:
    base = Timebase([clocked()])
    base.packets(packets((0, 70, 1), clock=[70_000]), None)
    base.packets(packets((0, 0, 1), clock=[100]), None)
    assert ticks(base.packets(packets((0, 1, 1), clock=[1100]), None)) == [100, 1100]


# The fitted rate


def stream(
    base: Timebase, packets: Any, when: Any, seconds: float, rate_hz: float, began_s: float, counter: int
) -> int:
    """Send packets of 20 scans as they are due; returns the next counter."""
    for k in range(int(seconds * rate_hz / 20)):
        base.packets(packets((0, counter, 20)), when(began_s + (k + 1) * 20 / rate_hz))
        counter += 20
    return counter


def test_the_rate_is_fitted_per_segment(packets: Any, when: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    assert base.rate_fit(0) is None
    counter = stream(base, packets, when, 4.0, 1010.0, 0.0, 0)
    first = base.rate_fit(0)
    assert first is not None
    assert first.value == pytest.approx(1010.0, rel=1e-4)
    base.description(Description((dataclasses.replace(fast, rate_hz=500.0),)))
    counter = stream(base, packets, when, 0.1, 500.0, 4.0, counter)
    # At another nominal rate the old figure says nothing.
    assert base.rate_fit(0) is None
    assert base.rate_fits(0) == {1000.0: first}
    stream(base, packets, when, 8.0, 500.0, 4.08, counter)
    second = base.rate_fit(0)
    assert second is not None
    assert second.value == pytest.approx(500.0, rel=1e-4)
    assert base.rate_fits(0) == {1000.0: first, 500.0: second}
    base.description(Description((fast,)))
    stream(base, packets, when, 0.1, 1010.0, 12.08, counter + 4000)
    # Back at a rate that was fitted before.
    assert base.rate_fit(0) == first


def test_shortly_after_a_restart_the_rate_before_it_still_stands(
    packets: Any, when: Any, fast: GroupInfo
) -> None:
    base = Timebase([fast], boot="1")
    stream(base, packets, when, 4.0, 1000.0, 0.0, 0)
    before = base.rate_fit(0)
    base.description(Description((fast,), boot="2"))
    stream(base, packets, when, 0.1, 1000.0, 10.0, 0)
    assert base.rate_fit(0) == before


def test_lost_scans_do_not_disturb_the_rate(packets: Any, when: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    stream(base, packets, when, 4.0, 1000.0, 0.0, 0)
    base.interrupted(GapCause.OUTAGE)
    stream(base, packets, when, 4.0, 1000.0, 9.0, 9000)
    estimate = base.rate_fit(0)
    assert estimate is not None
    assert estimate.value == pytest.approx(1000.0, rel=1e-5)


def test_no_rate_without_any_clock(packets: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    for k in range(100):
        base.packets(packets((0, 20 * k, 20)), None)
    assert base.rate_fit(0) is None

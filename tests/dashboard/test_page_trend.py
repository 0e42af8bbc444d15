"""The last minutes: points as they come, the past filled in from the newest back."""

import pytest

from dashboard.trend import LONGEST_S, Trend
from livesense.errors import LogbookError

CHANNELS = [{"name": "iu", "phase": "U", "look": 0, "unit": "A"}]


def measured(rms=4.2, rpm=600.0, power=None):
    def of(value, unit):
        return None if value is None else {"value": value, "u": 0.1, "unit": unit}

    return {
        "channels": {"iu": {"rms": of(rms, "A")}},
        "speed": {"rpm": of(rpm, "rpm")},
        "power": {"input_power": of(power, "W")},
    }


class Past:
    """Answers like an analysis of a run from its own beginning on."""

    def __init__(self, begin_s=0.0, away=(1e9, 1e9)):
        self.begin_s, self.away, self.asked = begin_s, away, []

    def extent_s(self):
        return self.begin_s, 1e6

    def measure(self, from_s, to_s):
        self.asked.append((from_s, to_s))
        if self.away[0] <= from_s < self.away[1]:
            raise LogbookError("no scans")
        return measured(rms=from_s / 100)


def line(trend, strip, number=0):
    found = trend.as_json()["strips"][strip]["lines"][number]
    return list(zip(found["t"], found["v"], strict=True))


def test_one_point_a_second_and_nothing_older_than_five_minutes():
    trend = Trend(CHANNELS)
    for half in range(0, 900):
        trend.add(half / 2, measured(rms=half / 100))
    points = line(trend, 0)
    assert points[-1] == (449.5, 8.99)
    assert points[0][0] >= 449.5 - LONGEST_S
    assert len(points) == pytest.approx(LONGEST_S, abs=2)
    assert trend.as_json()["length_s"] == LONGEST_S


def test_strips_without_any_value_are_not_shown():
    trend = Trend(CHANNELS)
    trend.add(3.0, measured())
    assert [s["label"] for s in trend.as_json()["strips"]] == ["Phases", "Speed"]
    trend.add(4.0, measured(rpm=None, power=-3.0))
    told = trend.as_json()
    assert [s["label"] for s in told["strips"]] == ["Phases", "Speed", "Input power"]
    assert line(trend, 1) == [(3.0, 600.0), (4.0, None)]
    assert told["text"] == "In the last 30 s: U 4.2 A rms; Speed 600 rpm; Input power −3 W."


def test_the_past_is_filled_from_the_newest_back_and_each_window_once():
    past, trend = Past(), Trend(CHANNELS)
    trend.add(20.3, measured())
    while trend.fill(past):
        pass
    assert [from_s for from_s, _ in past.asked] == [15.0, 10.0, 5.0, 0.0]
    assert [t for t, _ in line(trend, 0)] == [0.25, 5.25, 10.25, 15.25, 20.3]
    assert not trend.fill(past)


def test_an_outage_leaves_the_line_broken_and_is_not_tried_again():
    past, trend = Past(away=(10.0, 11.0)), Trend(CHANNELS)
    trend.add(20.3, measured())
    while trend.fill(past):
        pass
    told = trend.as_json()
    times = told["strips"][0]["lines"][0]["t"]
    assert 10.25 not in times
    assert len(past.asked) == 4
    assert told["break_s"] > 5.0


def test_a_young_run_has_a_short_axis():
    trend = Trend(CHANNELS)
    trend.add(40.0, measured())
    trend.missing(0.0)
    assert trend.as_json()["length_s"] == 60.0

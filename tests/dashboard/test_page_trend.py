"""The last minutes: the rows that the recorder kept, or points as they come."""

import pytest

from dashboard.trend import LONGEST_S, Trend, kept_points
from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook
from simulator.main import BENCH

CHANNELS = [{"name": "iu", "phase": "U", "look": 0, "unit": "A", "group": 0}]


def measured(rms=4.2, rpm=600.0, power=None):
    def of(value, unit):
        return None if value is None else {"value": value, "u": 0.1, "unit": unit}

    return {
        "channels": {"iu": {"rms": of(rms, "A")}},
        "speed": {"rpm": of(rpm, "rpm")},
        "power": {"input_power": of(power, "W")},
    }


class Past:
    """Answers like an analysis of a run without rows."""

    def __init__(self, newest_s, begin_s=0.0):
        self.extent, self.run = (begin_s, newest_s), self

    def extent_s(self):
        return self.extent

    def has_trends(self, group):
        return False


def line(told, strip, number=0):
    found = told["strips"][strip]["lines"][number]
    return list(zip(found["t"], found["v"], strict=True))


def test_one_point_a_second_and_nothing_older_than_five_minutes():
    trend = Trend(CHANNELS)
    for half in range(0, 900):
        trend.add(half / 2, measured(rms=half / 100))
    told = trend.as_json(Past(449.5))
    points = line(told, 0)
    assert points[-1] == (449.5, 8.99)
    assert points[0][0] >= 449.5 - LONGEST_S
    assert len(points) == pytest.approx(LONGEST_S, abs=2)
    assert told["length_s"] == LONGEST_S


def test_strips_without_any_value_are_not_shown():
    trend = Trend(CHANNELS)
    assert trend.as_json(Past(2.0))["text"] == "No trend yet."
    trend.add(3.0, measured())
    assert [s["label"] for s in trend.as_json(Past(3.0))["strips"]] == ["Phases", "Speed"]
    trend.add(4.0, measured(rpm=None, power=-3.0))
    told = trend.as_json(Past(4.0))
    assert [s["label"] for s in told["strips"]] == ["Phases", "Speed", "Input power"]
    assert line(told, 1) == [(3.0, 600.0), (4.0, None)]
    assert told["text"] == "In the last 30 s: U 4.2 A rms; Speed 600 rpm; Input power −3 W."


def test_a_young_run_has_a_short_axis():
    assert Trend(CHANNELS).as_json(Past(40.0))["length_s"] == 60.0
    assert Trend(CHANNELS).as_json(Past(1040.0, begin_s=1000.0))["length_s"] == 60.0


def test_rows_of_the_recorder_go_before_what_was_seen(livesense, tmp_path):
    livesense("simulate", "--speed", "max", "--duration", "8s", "--outlet", "file:sim.bin")
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    with Logbook(tmp_path / "livesense.db") as logbook:
        analysis = RunAnalysis(logbook, 1)
        points = kept_points(analysis, CHANNELS, 0.0, 8.0)
        steady = analysis.measure(6.0, 7.0)
        trend = Trend(CHANNELS)
        trend.add(7.0, measured())
        told = trend.as_json(analysis)
    assert len(points) == pytest.approx(8.0 / 0.2, abs=6)
    at_seven = min(points, key=lambda point: abs(point[0] - 6.5))[1]
    for key, found in (
        ("rms:iu", steady["channels"]["iu"]["rms"]),
        ("speed", steady["speed"]["rpm"]),
        ("power", steady["power"]["input_power"]),
    ):
        assert at_seven[key] == pytest.approx(found["value"], rel=5e-3)
    assert [s["label"] for s in told["strips"]] == ["Phases", "Speed", "Input power"]
    assert len(line(told, 0)) == len(points)

"""``events``: what a run's events carry, and what the link lost beside them."""

from __future__ import annotations

import pytest
from plain_device import Sender, bench_text, description_frame, group

RULE = (
    '\n[[watch]]\nkind = "overcurrent"\nchannels = ["iu"]\nlimit = "5 A"\n'
    'hold = "1 ms"\nrelease_hold = "1 ms"\n'
)
CODE_A = 3.3 / 4096 / (20 * 5e-3)


def steady(device, code, scans):
    device.low = device.high = code
    return device.packet(scans)


@pytest.fixture
def run(recorded):
    """100 scans at rest, 50 of 1000 codes, some lost, a restart; hands back what `record` told."""
    device = Sender()
    stream = description_frame([group(device.channels)], boot="first")
    stream += steady(device, 2048, 100) + steady(device, 3048, 50) + steady(device, 2048, 100)
    device.skip(7)
    stream += steady(device, 2048, 100) + description_frame([group(device.channels)], boot="again")
    return recorded(stream + steady(Sender(), 2048, 100), bench_text(more=RULE))


def test_integrals_and_what_is_kept(run, livesense):
    told = livesense("events", "last", "--json").json
    (event,) = told["events"]
    rate_hz = livesense("show", "last", "--json").json["groups"][0]["rate_hz"]
    amperes = 1000 * CODE_A
    assert (event["start_scan"], event["end_scan"], event["severity"]) == (100, 149, "alarm")
    # 50 scans of one current: i² t, and (i² − 5²) t beyond the limit.
    assert event["i2t"]["value"] == pytest.approx(amperes**2 * 50 / rate_hz, rel=1e-6)
    assert event["excess_i2t"]["value"] == pytest.approx((amperes**2 - 25) * 50 / rate_hz, rel=1e-6)
    # d(i²)/di = 2 i: twice the relative uncertainty of the peak's systematic part.
    share = event["i2t"]["u"] / event["i2t"]["value"]
    assert share == pytest.approx(2 * event["peak"]["u"] / event["peak"]["value"], rel=0.2)
    assert event["i2t"]["unit"] == "A²s" and not event["default_rule"]
    assert event["keep_first"] == max(0, 100 - round(0.1 * rate_hz))
    assert event["keep_last"] == 149 + round(0.4 * rate_hz)


def test_gaps_and_restarts_stand_beside_the_events_and_are_none(run, livesense):
    told = livesense("events", "last", "--json").json
    gap, restart = told["link"]
    assert (gap["kind"], gap["start_scan"], gap["end_scan"], gap["lost_scans"]) == ("gap", 250, 256, 7)
    assert gap["end_s"] > gap["start_s"] and "7 scans missing" in gap["text"]
    assert (restart["kind"], restart["start_scan"], restart["lost_scans"]) == ("restart", 357, None)
    assert (run["events"], run["gaps"], run["restarts"]) == (1, 1, 1)
    text = livesense("events", "last").out
    assert [line.split()[2] for line in text.splitlines()[1:]] == ["overcurrent", "gap", "restart"]


def test_the_peak_has_the_digits_of_its_uncertainty(run, livesense):
    # 8.057 A ± 0.1 A: four digits in the text would be more than is known.
    row = livesense("events", "last").out.splitlines()[1]
    (event,) = livesense("events", "last", "--json").json["events"]
    expanded = 2 * event["peak"]["u"]
    decimals = 2 if expanded < 0.0295 or 0.0295 <= expanded < 0.295 else 1
    assert f"{event['peak']['value']:.{decimals}f} ± " in row
    assert f"peaked at {event['peak']['value']:.{decimals}f} A" in event["text"]


def test_many_gaps_are_summed_up(recorded, livesense):
    device = Sender(low=2048, high=2048)
    stream = description_frame([group(device.channels)])
    for _ in range(30):
        stream += device.packet(20)
        device.skip(3)
    recorded(stream + device.packet(20), bench_text(more=RULE))
    text = livesense("events", "last").out
    assert "No events" in text and "30 gaps of 90 scans in all, 0 restarts" in text
    assert len(livesense("events", "last", "--json").json["link"]) == 30

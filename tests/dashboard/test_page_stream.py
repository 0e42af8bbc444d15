"""The stream's messages, its places, and their return."""

import json
import struct
import time

import numpy as np
import pytest
from werkzeug.datastructures import MultiDict

from dashboard.picture import HEADER, KIND_ALIVE, KIND_FACTS, KIND_PICTURE, KIND_SETUP, KIND_TREND
from dashboard.pictures import BEHIND_S, PlayHead, View
from dashboard.stream import view_of


def messages(data):
    found = []
    while data:
        (length,) = struct.unpack_from("<I", data)
        found.append(data[4 : 4 + length])
        data = data[4 + length :]
    return found


def by_kind(data):
    return {body[0]: body for body in messages(data)}


def as_json(body):
    return json.loads(body[4:])


def test_once_gives_setup_facts_and_a_steady_picture(client):
    found = by_kind(client.get("/live/now").data)
    assert set(found) == {KIND_SETUP, KIND_FACTS, KIND_TREND, KIND_PICTURE}
    assert [c["name"] for c in as_json(found[KIND_SETUP])["channels"]] == ["iu", "iv", "iw"]
    assert as_json(found[KIND_FACTS])["sentence"]["tone"] == "calm"


def test_the_picture_begins_at_a_rising_crossing_of_u(client):
    body = by_kind(client.get("/live/now").data)[KIND_PICTURE]
    _, flags, channels, points, left_s, span_s, x0_s, dx_s, newest_s, hz = HEADER.unpack_from(body)
    assert flags & 1
    assert (channels, span_s, hz) == (3, 0.06, pytest.approx(50.0, abs=0.01))
    assert (left_s * 50.0) % 1.0 == pytest.approx(0.0, abs=2e-3) or (left_s * 50.0) % 1.0 > 0.998
    u = np.frombuffer(body, "<f4", points, HEADER.size)
    times = left_s + x0_s + dx_s * np.arange(points)
    np.testing.assert_allclose(u, 6 * np.sin(2 * np.pi * 50 * times), atol=1e-3)
    assert newest_s >= times[-1] - 1e-9


def test_a_running_picture_is_reduced_to_its_columns(client):
    body = by_kind(client.get("/live/now?picture=running&span=10&columns=400").data)[KIND_PICTURE]
    _, flags, _, points, _, span_s, *_ = HEADER.unpack_from(body)
    assert flags == 2
    assert span_s == 10.0
    assert 700 <= points <= 800


def test_slow_currents_run(client, state):
    state.frequency_hz = 1.0
    body = by_kind(client.get("/live/now").data)[KIND_PICTURE]
    assert HEADER.unpack_from(body)[1] & 1 == 0


def test_the_picture_stands_still_again_once_there_are_cycles(web, state):
    view, deadline = View(True, 2.0, 1200), time.monotonic() + 10

    def wait_until(steady):
        while (picture := web.live.picture(view)) is None or picture.steady is not steady:
            assert time.monotonic() < deadline
        return picture

    wait_until(True)
    state.frequency_hz = 0.5
    wait_until(False)
    state.frequency_hz = 50.0
    assert wait_until(True).span_s == 0.06


def test_a_stream_goes_on_and_gives_its_place_back(web, client):
    answer = client.get("/live/stream")
    parts = iter(answer.response)
    kinds = [next(parts)[4] for _ in range(5)]
    assert kinds[:2] == [KIND_SETUP, KIND_FACTS]
    assert kinds.count(KIND_PICTURE) >= 2
    assert web.streams.open == 1
    answer.close()
    assert web.streams.open == 0


def test_a_stream_that_nobody_read_gives_its_place_back(web, client):
    client.get("/live/stream").close()
    assert web.streams.open == 0


def test_streams_beyond_the_places_are_told_so(web, client):
    taken = [web.streams.take() for _ in range(web.settings.streams)]
    assert all(taken)
    assert client.get("/live/stream").status_code == 503
    assert client.get("/live/now").status_code == 200
    web.streams.give_back()
    answer = client.get("/live/stream")
    assert answer.status_code == 200
    answer.close()


def test_streams_end_with_the_server(web, client):
    answer = client.get("/live/stream")
    parts = iter(answer.response)
    next(parts)
    web.streams.stopping.set()
    assert len(list(parts)) < 5
    assert web.streams.open == 0


def test_tabs_of_one_view_share_their_pictures(web):
    view = View(steady=True, span_s=2.0, columns=1200)
    assert web.live.picture(view) is web.live.picture(view)


@pytest.mark.parametrize(
    ("args", "view"),
    [
        ({}, View(True, 2.0, 1200)),
        ({"picture": "running", "span": "9", "columns": "931"}, View(False, 10.0, 900)),
        ({"span": "nan", "columns": "-5"}, View(True, 2.0, 100)),
        ({"span": "inf", "columns": "99999999"}, View(True, 2.0, 4000)),
    ],
)
def test_odd_arguments_become_usual_ones(args, view):
    assert view_of(MultiDict(args)) == view


def test_facts_hold_no_number_that_browsers_refuse(client, state, fake):
    state.events = [fake.overcurrent(590.0, None) | {"peak": {"value": float("nan"), "u": 0.1, "unit": "A"}}]
    facts = as_json(by_kind(client.get("/live/now").data)[KIND_FACTS])
    assert facts["events"][0]["peak"] == "not known"
    assert facts["sentence"]["tone"] == "fault"


def test_without_new_pictures_the_stream_tells_that_it_is_alive(web, client, state):
    state.frozen_at = state.began
    answer = client.get("/live/stream")
    parts, kinds = iter(answer.response), []
    while KIND_ALIVE not in kinds:
        kinds.append(next(parts)[4])
        assert len(kinds) < 500
    answer.close()


def test_reasons_for_withheld_figures_stand_once_with_all_they_hold_for(client):
    facts = as_json(by_kind(client.get("/live/now").data)[KIND_FACTS])
    assert facts["withheld"] == [
        {"labels": "Input power and Bus current", "why": "no channel measures the bus current"},
        {"labels": "Sum of the phases", "why": "phase W is computed from the others"},
    ]


def test_figures_tell_up_to_where_they_were_measured(client, state):
    facts = as_json(by_kind(client.get("/live/now").data)[KIND_FACTS])
    assert 0.0 <= state.newest_s() - facts["measured_to_s"]
    assert facts["old"] is False


def test_a_figure_that_changes_keeps_its_value_and_loses_its_tolerance(client, monkeypatch):
    monkeypatch.setattr("dashboard.live.changes", lambda *_: {"rms:iu": "2.6 → 1.5", "power.input_power": ""})
    facts = as_json(by_kind(client.get("/live/now").data)[KIND_FACTS])
    tiles = {row["key"]: row for row in facts["tiles"]}
    assert (tiles["rms:iu"]["value"], tiles["rms:iu"]["expanded"]) == ("4.24", None)
    assert tiles["rms:iu"]["changing"] == "2.6 → 1.5"
    assert "changing" not in tiles["rms:iv"]
    assert "changing" not in tiles["power.input_power"], "it is withheld"


def test_withheld_figures_say_why(client):
    facts = as_json(by_kind(client.get("/live/now").data)[KIND_FACTS])
    tiles = {row["key"]: row for row in facts["tiles"]}
    assert tiles["power.input_power"]["value"] is None
    assert tiles["power.input_power"]["withheld"] == "no channel measures the bus current"
    assert tiles["rms:iu"]["value"] == "4.24"
    assert tiles["rms:iu"]["expanded"] == "0.05"
    assert tiles["rms:iw"]["computed"] == ["iu", "iv"]


def test_a_recorder_that_died_is_told_with_the_next_facts(client, state):
    state.state = "recovered"
    facts = as_json(by_kind(client.get("/live/now").data)[KIND_FACTS])
    assert facts["sentence"]["tone"] == "fault"
    assert facts["link"][0] == {
        "key": "recorder", "label": "Recorder", "text": "stopped without closing its run", "bad": True,
    }  # fmt: skip


def test_a_picture_moves_on_between_the_recorders_commits():
    rate_hz, head, stops = 20_000.0, PlayHead(), []
    for frame in range(120):
        now_s = 100.0 + frame / 30
        committed_s = (now_s * 20) // 1 / 20  # every 50 ms
        newest = int((committed_s - 90.0) * rate_hz)
        stop = head.stop(now_s, newest, rate_hz)
        assert stop <= newest
        stops.append(stop)
    steps = np.diff(stops[60:]) / rate_hz * 30
    assert steps.min() > 0.7 and steps.max() < 1.4, "one frame's time a frame"
    assert (now_s - 90.0) - stops[-1] / rate_hz < BEHIND_S + 1 / 30


def test_when_nothing_comes_any_more_all_is_shown():
    head = PlayHead()
    head.stop(0.0, 1000, 1000.0)
    assert head.stop(0.01, 1000, 1000.0) < 1000
    assert head.stop(1.0, 1000, 1000.0) == 1000

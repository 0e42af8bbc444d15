"""Routes of one run: overview, samples at two zooms, figures, notes; and names that mean harm."""

import json
import struct

import numpy as np
import pytest

from dashboard.channels import described, limits, picture_channels
from dashboard.names import plot_text
from dashboard.run_data import MOST_EVENTS
from livesense.samples import SegmentStart, TimeAxis


def read_samples(data):
    (length,) = struct.unpack_from("<I", data)
    about = json.loads(data[4 : 4 + length])
    at, times, values = 4 + length, [], []
    for points in about["points"]:
        times.append(np.frombuffer(data, "<f8", points, at))
        at += 8 * points
    for points in about["points"]:
        values.append(np.frombuffer(data, "<f4", points, at))
        at += 4 * points
    assert at == len(data)
    return about, times, values


def test_overview_groups_channels_that_share_an_axis(client):
    about = client.get("/api/runs/1").json
    assert [(p["title"], [c["name"] for c in p["channels"]]) for p in about["plots"]] == [
        ("Currents", ["iu", "iv", "iw"]),
        ("Voltages", ["vbus"]),
    ]
    (gap,) = about["interruptions"]["rows"]
    assert gap == {"kind": "gap", "from_s": 100.0, "to_s": 100.5, "text": "5\u202f000 scans lost on the way"}
    assert "being recorded now" in about["what"] and about["recording"]


def test_only_a_recorder_that_died_has_a_last_sign(client, state):
    assert client.get("/api/runs/1").json["last_sign"] == ""
    state.state, state.link = "recovered", "away"
    said = client.get("/api/runs/1").json["last_sign"]
    assert "last heard of at 20" in said and said.endswith("The port was away then.")


def test_close_up_gives_every_sample(client):
    about, times, values = read_samples(
        client.get("/api/runs/1/samples?from=10&to=10.02&name=iu&name=iv").data
    )
    assert about == {"points": [200, 200], "names": ["iu", "iv"], "reduced": False}
    assert times[0][0] == pytest.approx(10.0)
    np.testing.assert_allclose(values[0], 6 * np.sin(2 * np.pi * 50 * times[0]), atol=1e-5)


def test_from_afar_gives_lowest_and_highest_in_turn(client):
    about, times, values = read_samples(
        client.get("/api/runs/1/samples?from=70&to=130&columns=300&name=iu").data
    )
    assert about["reduced"]
    assert about["points"] == [600]
    assert np.all(np.diff(times[0]) > 0)
    assert values[0][0] == -6 and values[0][1] == 6
    assert np.isnan(values[0]).any()  # the gap


@pytest.mark.parametrize("columns", [300, 4000])
def test_no_line_is_drawn_across_an_outage(client, monkeypatch, fake, columns):
    # The second segment begins five seconds after the end of the first.
    late = TimeAxis((SegmentStart(0, 0, 0.0, 1000.0), SegmentStart(0, 1000, 6.0, 1000.0)))
    monkeypatch.setattr(fake.FakeRun, "time_axis", lambda self, group: late)
    monkeypatch.setattr(fake.FakeAnalysis, "extent_s", lambda self: (0.0, 7.0))
    scans = np.arange(2000)

    def envelope(self, name, from_s, to_s, buckets):
        middle = late.time_s(scans[:: max(1, len(scans) // buckets)])
        return fake.Band(middle, 0 * middle, 0 * middle + 1, 0 * middle)

    def window(self, from_s, to_s, names=None):
        return [fake.Window(0, 0, 1000.0, late.time_s(scans), {"iu": np.zeros(2000)}, {})]

    monkeypatch.setattr(fake.FakeAnalysis, "envelope", envelope)
    monkeypatch.setattr(fake.FakeAnalysis, "window", window)
    # Far and near are told apart by the nominal rate, 10 000 scans/s: seven seconds are 70 000 scans.
    to_s = 7.0 if columns == 300 else 0.7
    _, (times,), (values,) = read_samples(
        client.get(f"/api/runs/1/samples?from=0&to={to_s}&columns={columns}&name=iu").data
    )
    assert np.all(np.diff(times) >= 0)
    (hole,) = np.flatnonzero(np.isnan(values))
    assert times[hole - 1] < 1.01 and times[hole + 1] > 5.99


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("from=5&to=1&name=iu", 400),
        ("from=nan&to=1&name=iu", 400),
        ("from=0&to=1", 400),
        ("from=0&to=1&name=no_such", 400),
    ],
)
def test_odd_questions_get_a_plain_answer(client, query, status):
    answer = client.get(f"/api/runs/1/samples?{query}")
    assert answer.status_code == status
    assert answer.mimetype == "text/plain"


def test_a_run_that_is_not_there(client):
    assert client.get("/api/runs/99").status_code == 404


def test_figures_of_a_stretch(client):
    found = client.get("/api/runs/1/figures?from=10&to=11").json
    assert found["rows"][0]["cells"][1] == {"value": "4.24", "expanded": "0.05", "unit": "A"}
    assert found["rows"][0]["cells"][6] == {"value": None, "mark": "a"}


def test_a_reason_stands_once_for_all_that_it_withholds(client):
    found = client.get("/api/runs/1/figures?from=10&to=11").json
    assert [row["cells"][6]["mark"] for row in found["rows"]] == ["a", "a", "a"]
    marks = {row["label"]: row.get("mark") for row in found["together"]}
    assert marks["Input power"] == marks["Bus current"] == "b" and marks["Speed"] is None
    assert found["notes"][:2] == [
        {"mark": "a", "why": "below its own noise"},
        {"mark": "b", "why": "no channel measures the bus current"},
    ]
    assert len({note["why"] for note in found["notes"]}) == len(found["notes"])


def test_a_clipped_peak_is_told_as_at_least(client, monkeypatch, fake):
    measure = fake.FakeAnalysis.measure

    def clipped(self, from_s=None, to_s=None):
        found = measure(self, from_s, to_s)
        found["channels"]["iu"]["max"] = fake.quantity(16.5, 0.03, "A") | {"at_least": True}
        return found

    monkeypatch.setattr(fake.FakeAnalysis, "measure", clipped)
    cells = client.get("/api/runs/1/figures?from=10&to=11").json["rows"][0]["cells"]
    assert cells[3] == {"value": "≥ 16.50", "expanded": "0.06", "unit": "A"}


def test_figures_of_a_whole_run_are_those_of_its_first_steady_part(client):
    found = client.get("/api/runs/1/figures").json
    assert found["of"] == "the first steady part of this run"
    assert 0 < found["from_s"] < 1 and found["to_s"] - found["from_s"] == pytest.approx(5.0)
    assert found["rows"][0]["cells"][1]["value"] == "4.24"


def test_events_come_page_by_page_in_order_with_their_count(client, state, fake):
    state.events = [fake.overcurrent(1.0 + n, 1.2 + n) for n in range(60)]
    state.events[0], state.events[1] = state.events[1], state.events[0]
    pages = [client.get(f"/api/runs/1/events?offset={offset}&limit=25").json for offset in (0, 25, 50)]
    assert {page["count"] for page in pages} == {60}
    assert [len(page["rows"]) for page in pages] == [25, 25, 10]
    assert [row["start_s"] for page in pages for row in page["rows"]] == [1.0 + n for n in range(60)]


@pytest.mark.parametrize(
    ("asked", "offset", "rows"),
    [
        ("offset=-5&limit=2", 0, 2),
        ("offset=900&limit=2", 2, 1),
        ("offset=0&limit=0", 0, 1),
        ("offset=x&limit=y", 0, 3),
    ],
)
def test_odd_pages_of_events_are_brought_into_the_run(client, state, fake, asked, offset, rows):
    state.events = [fake.overcurrent(1.0 + n, 1.2 + n) for n in range(3)]
    found = client.get(f"/api/runs/1/events?{asked}").json
    assert (found["offset"], len(found["rows"])) == (offset, rows)


def test_one_answer_holds_a_bounded_number_of_events(client, state, fake):
    state.events = [fake.overcurrent(float(n), n + 0.1) for n in range(MOST_EVENTS + 5)]
    found = client.get("/api/runs/1/events?limit=50000").json
    assert (found["count"], len(found["rows"])) == (MOST_EVENTS + 5, MOST_EVENTS)


def test_an_event_has_what_belongs_to_it_before_and_after(client, state, fake):
    state.events = [fake.overcurrent(1.0, 1.2) | {"pre_s": 0.02, "post_s": 0.5}, fake.overcurrent(2.0, None)]
    rows = client.get("/api/runs/1/events").json["rows"]
    assert [(row["before_s"], row["after_s"]) for row in rows] == [(0.02, 0.5), (0.0, 0.0)]


def test_an_event_says_in_words_only_what_no_column_says(client, state, fake):
    state.events = [
        fake.overcurrent(1.0, 1.2)
        | {"text": "iv: current peaked at 14 A, limit 12 A; 7 scans were lost inside"},
        fake.overcurrent(2.0, 2.2) | {"text": "iv: current peaked at 14 A, limit 12 A"},
    ]
    rows = client.get("/api/runs/1/events").json["rows"]
    assert [row["remark"] for row in rows] == ["7 scans were lost inside", ""]


@pytest.mark.parametrize(
    "body", [{}, {"text": ""}, {"text": "   "}, {"text": 5}, {"text": "x" * 2001}, None, []]
)
def test_notes_must_be_text(client, body):
    assert client.post("/api/runs/1/notes", json=body).status_code == 400


def test_notes_only_while_recording(client, state):
    state.state = "complete"
    assert client.post("/api/runs/1/notes", json={"text": "shunt swapped"}).status_code == 409


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("iu", "iu"),
        ('<a href="https://evil.example">iu</a>', 'a href="https://evil.example"iu/a'),
        ("$\\alpha$ %{y} <b>", "\\alpha y b"),
        ("i\x00u\u202e", "iu"),
        ("<>$", "(no name)"),
        ("x" * 100, "x" * 63 + "…"),
    ],
)
def test_names_in_figures_hold_no_markup(name, text):
    assert plot_text(name) == text
    assert not set("<>$") & set(plot_text(name)) and "%{" not in plot_text(name)


def test_in_line_currents_are_preferred_one_for_each_phase(fake):
    channels = [
        fake.FakeChannel("iu_low", phase="U", place="low-side"),
        fake.FakeChannel("iw", phase="W"),
        fake.FakeChannel("iu", phase="U"),
        fake.FakeChannel("ibus", phase="bus"),
        fake.FakeChannel("t", unit="°C", quantity="temperature"),
    ]
    chosen = picture_channels(channels)
    assert [c.name for c in chosen] == ["iu", "iw"]
    assert [row["look"] for row in described(chosen)] == [0, 2]


def test_without_currents_the_first_unit_is_drawn(fake):
    channels = [fake.FakeChannel(n, unit="V", quantity="voltage", high=float("inf")) for n in ("a", "b")]
    rows = described(picture_channels(channels))
    assert [row["name"] for row in rows] == ["a", "b"]
    assert len({row["look"] for row in rows}) == 2
    assert rows[0]["high"] is None


def test_limits_are_those_of_the_drawn_channels_each_once(fake):
    channels = [fake.FakeChannel("iu", phase="U")]
    watches = [
        fake.FakeWatch(),
        fake.FakeWatch(channels=("iu",)),
        fake.FakeWatch(channels=("ibus",), limit=5.0),
        # A pick-up, an rms: no line in a picture of scans.
        fake.FakeWatch(kind="thermal", limit=6.0, instant=False),
    ]
    assert limits(watches, channels) == [{"limit": 12.0, "unit": "A", "channels": ["iu"]}]


def test_an_event_without_an_end_goes_on_only_while_its_run_does(client, state, fake):
    state.events = [fake.overcurrent(1.0, None)]
    said = {}
    for run_state in ("recording", "recovered"):
        state.state = run_state
        said[run_state] = client.get("/api/runs/1/events?offset=0&limit=25").json["rows"][0]["lasted"]
    assert said == {"recording": "going on", "recovered": "to the end"}

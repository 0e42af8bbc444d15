"""The page on a logbook that the recorder wrote from the simulated pump."""

import json
import struct
import threading

import numpy as np
import pytest

from dashboard.app import Page, Server, Settings, serve
from dashboard.live import _stretch
from livesense.analysis import RunAnalysis
from livesense.errors import UsageError
from livesense.logbook.reader import Logbook
from simulator.main import BENCH

HOME = "http://127.0.0.1:8050"


@pytest.fixture
def logbook(livesense, tmp_path):
    played = livesense("simulate", "--speed", "max", "--duration", "8s", "--outlet", "file:sim.bin")
    assert played.code == 0, played.err
    recorded = livesense(
        "record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet", "--name", "<b>first</b> turn"
    )
    assert recorded.code == 0, recorded.err
    return tmp_path / "livesense.db"


def reach(page, path):
    client = page.dash.server.test_client()
    client.get(f"/?token={page.settings.token}", base_url=HOME)
    return client.get(path, base_url=HOME)


@pytest.fixture
def web(logbook):
    web = Page(Settings(logbook, port=8050))
    yield web
    web.close()


def parts(data):
    while data:
        (length,) = struct.unpack_from("<I", data)
        yield data[4], data[4 : 4 + length]
        data = data[4 + length :]


def test_live_tells_how_the_last_run_ended_and_holds_its_end_still(web):
    found = dict(parts(reach(web, "/live/now").data))
    facts, setup = json.loads(found[2][4:]), json.loads(found[3][4:])
    assert facts["sentence"]["text"].startswith("Nothing is recorded now. Run 1 ended")
    assert "the link closed" in facts["sentence"]["text"]
    assert [c["name"] for c in setup["channels"]] == ["iu", "iv", "iw"]
    assert setup["limits"][0]["limit"] == 12.0
    assert found[1][1] & 1, "a steady picture"
    tiles = {row["key"]: row for row in facts["tiles"]}
    assert float(tiles["rms:iu"]["value"]) > 1.0
    assert all(row["value"] is not None or row["withheld"] for row in facts["tiles"])


def test_the_page_and_the_command_line_say_the_same(web, livesense, logbook):
    told = livesense("measure", "1", "--from", "6", "--to", "7", "--logbook", logbook, "--json").json
    shown = reach(web, "/api/runs/1/figures?from=6&to=7").json
    # What the drive says of itself is a word: it has no row of figures.
    assert "state" in told["channels"] and "state" not in {row["name"] for row in shown["rows"]}
    rms = told["channels"]["iu"]["rms"]
    row = next(row for row in shown["rows"] if row["name"] == "iu")
    assert float(row["cells"][1]["value"]) == pytest.approx(rms["value"], abs=2 * rms["u"])
    assert float(row["cells"][1]["expanded"]) >= 2 * rms["u"] * (1 - 1e-6)


def test_samples_near_and_far_agree(web):
    def read(query):
        data = reach(web, f"/api/runs/1/samples?{query}&name=iu").data
        (length,) = struct.unpack_from("<I", data)
        (points,) = json.loads(data[4 : 4 + length])["points"]
        times = np.frombuffer(data, "<f8", points, 4 + length)
        return times, np.frombuffer(data, "<f4", points, 4 + length + 8 * points)

    near_times, near = read("from=6&to=6.1&columns=4000")
    far_times, far = read("from=6&to=6.1&columns=100")
    assert len(near) == 2000
    assert len(far) == 200
    assert (near_times[0], near_times[-1]) == (pytest.approx(6.0), pytest.approx(6.1 - 5e-5))
    assert (far.min(), far.max()) == (near.min(), near.max())
    assert np.all(np.diff(far_times) > 0)


def test_screens_of_the_run_are_made(web):
    about = reach(web, "/api/runs/1").json
    assert [plot["title"] for plot in about["plots"]][:2] == ["Currents", "Voltages"]
    assert about["to_s"] == pytest.approx(8.0, abs=0.2)
    assert any("start" in note["text"] for note in about["notes"])


def screen(page, path):
    client = page.dash.server.test_client()
    client.get(f"/?token={page.settings.token}", base_url=HOME)
    asked = {
        "output": "screen.children", "outputs": {"id": "screen", "property": "children"},
        "inputs": [{"id": "where", "property": "pathname", "value": path}],
        "changedPropIds": ["where.pathname"],
    }  # fmt: skip
    return client.post("/_dash-update-component", base_url=HOME, json=asked).get_data(as_text=True)


def test_a_run_without_scans_says_so_and_what_to_do(livesense, tmp_path):
    (tmp_path / "noise.bin").write_bytes(bytes(range(1, 200)) * 3)
    livesense("record", BENCH, "--port", "file:noise.bin", "--until-closed", "--quiet")
    page = Page(Settings(tmp_path / "livesense.db", port=8050))
    try:
        about = reach(page, "/api/runs/1").json
        assert about["plots"] == [] and about["interruptions"]["rows"] == []
        shown = screen(page, "/runs/1")
        assert "This run holds no scans." in shown
        assert "livesense record BENCH.toml" in shown and "wire and baud" in shown
        assert "run-graph" not in shown and "run-figures" not in shown
        assert reach(page, "/api/runs/1/events").json["count"] == 0
    finally:
        page.close()


def test_the_screen_of_a_run_is_made_without_reading_its_events(web, monkeypatch):
    def read_all(*_, **__):
        pytest.fail("all events were read")

    monkeypatch.setattr("livesense.analysis.RunAnalysis.events", read_all)
    assert "run-graph" in screen(web, "/runs/1")
    assert reach(web, "/api/runs/1").status_code == 200


def test_notes_of_a_file_stand_where_their_scans_are(web):
    notes = {note["text"]: note["at_s"] for note in reach(web, "/api/runs/1").json["notes"]}
    assert notes["start"] == pytest.approx(1.5, abs=0.01)


def test_before_anything_was_recorded(tmp_path):
    page = Page(Settings(tmp_path / "none.db", port=8050))
    try:
        found = dict(parts(reach(page, "/live/now").data))
        facts = json.loads(found[2][4:])
        assert facts["sentence"]["text"] == "Nothing has been recorded yet."
        assert facts["withheld"] == [{"labels": "All figures", "why": "nothing is recorded"}]
        assert 1 not in found
        assert reach(page, "/api/runs/1").status_code == 404
    finally:
        page.close()


def test_a_file_that_is_no_logbook_is_said(tmp_path):
    path = tmp_path / "letter.db"
    path.write_text("Dear all, " * 500)
    page = Page(Settings(path, port=8050))
    try:
        facts = json.loads(dict(parts(reach(page, "/live/now").data))[2][4:])
        assert facts["sentence"]["tone"] == "fault"
        assert "letter.db" in facts["sentence"]["advice"]
    finally:
        page.close()


def test_serve_tells_its_address_and_ends_when_asked(tmp_path):
    told = []
    server = Server(Settings(tmp_path / "none.db"))
    thread = threading.Thread(target=server.run)
    thread.start()
    told.append(server.url)
    assert server.url.startswith(f"http://127.0.0.1:{server.port}/?token=")
    server.close()
    server.close()
    thread.join(10)
    assert not thread.is_alive()


def test_a_port_that_is_taken_is_said(tmp_path):
    server = Server(Settings(tmp_path / "none.db"))
    try:
        with pytest.raises(UsageError, match=f"port {server.port}"):
            serve(Settings(tmp_path / "none.db", port=server.port))
    finally:
        server.close()
        server.run()


def test_other_machines_are_not_served(tmp_path):
    with pytest.raises(UsageError, match="this machine only"):
        Server(Settings(tmp_path / "none.db", host="0.0.0.0"))


def test_what_the_machine_does_is_looked_for_where_it_has_no_speed(livesense, tmp_path):
    # The story aligns its rotor from 1.5 s to 2.06 s.
    livesense("simulate", "--speed", "max", "--duration", "1.9s", "--outlet", "file:sim.bin")
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    with Logbook(tmp_path / "livesense.db") as logbook:
        analysis = RunAnalysis(logbook, 1)
        found = _stretch(analysis, {"speed": {"rpm": None}})
        assert found is not None and found["kind"] == "align"
        assert _stretch(analysis, {"speed": {"rpm": {"value": 3.0}}}) is None
        assert _stretch(analysis, {}) is None

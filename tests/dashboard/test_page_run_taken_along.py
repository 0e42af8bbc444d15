"""Captions, chain and stretches of one run."""

import re

import pytest
from page_client import Web

from dashboard.captions import caption, resistance, scan_rate
from dashboard.run_stretches import LONGEST_S, Stretches
from livesense.errors import UsageError
from simulator.main import BENCH


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    from livesense.cli.main import main

    folder = tmp_path_factory.mktemp("taken")
    sent, path = folder / "sim.bin", folder / "livesense.db"
    assert main(["simulate", "--speed", "max", "--duration", "9s", "--outlet", f"file:{sent}"]) == 0
    said = [
        "record",
        str(BENCH),
        "--port",
        f"file:{sent}",
        "--until-closed",
        "--quiet",
        "--logbook",
        str(path),
    ]
    assert main(said) == 0
    web = Web(path)
    yield web
    web.page.close()


def test_a_caption_tells_chain_rate_speed_and_uncertainty(web):
    told = web.get("/api/runs/1/figures?from=8&to=8.5").json
    assert re.fullmatch(r"5 mΩ, ×20, 20 kS/s, 2940 rpm, ± 1\.[0-9] %", told["caption"]), told["caption"]
    assert [row["phase"] for row in told["vectors"]["phasors"]["rows"]] == ["U", "V", "W"]
    at_rest = web.get("/api/runs/1/figures?from=0.2&to=1").json["caption"]
    assert at_rest.startswith("5 mΩ, ×20, 20 kS/s") and "rpm" not in at_rest


@pytest.mark.parametrize(
    ("ohm", "text"),
    [(0.005, "5 mΩ"), (0.0001, "100 µΩ"), (0.00025, "250 µΩ"), (1.0, "1 Ω"), (0.0125, "12.5 mΩ")],
)
def test_resistances_are_written_as_engineers_do(ohm, text):
    assert resistance(ohm) == text


def test_rates_and_runs_without_currents(fake, state):
    assert (scan_rate(20_000.0), scan_rate(500.0)) == ("20 kS/s", "500 S/s")
    analysis = fake.FakeAnalysis(state)
    assert caption(analysis, analysis.measure(0.0, 1.0)) == "10 kS/s, 600 rpm, ± 1.0 %"
    analysis.channels = analysis.channels[3:]
    assert caption(analysis, {}) == ""


def test_the_chain_stands_on_the_screen_of_the_run(web):
    shown = web.screen("/runs/1")
    for text in (
        "Sense chain",
        "5 mΩ × 20, in-line",
        "divider 11:1",
        "0.008057 A",
        "2048 codes",
        "−50 to 279.9 °C",
    ):
        assert text in shown, text


def test_stretches_are_told_with_their_place_and_kind(web):
    told = web.get("/api/runs/1/stretches").json
    assert [row["kind"] for row in told["marks"]][:3] == ["standstill", "align", "start"]
    assert told["marks"][0]["to_s"] == pytest.approx(1.5, abs=0.05)
    assert told["text"] == ""
    part = web.get("/api/runs/1/stretches?from=0&to=1").json["marks"]
    assert [row["kind"] for row in part] == ["standstill"]
    assert web.get("/api/runs/1/stretches?from=3&to=2").status_code == 400


class Counted:
    """Enough of an analysis for the memory of stretches."""

    revision = 0

    def __init__(self):
        self.run = self
        self.row = self
        self.started_wall_s, self.number, self.groups = 5.0, 1, (1,)

    def extent(self, group):
        return 0, 100


def test_stretches_are_worked_out_once_and_long_parts_are_not(monkeypatch):
    asked = []
    monkeypatch.setattr("dashboard.run_stretches.stretches_of", lambda *a: asked.append(a) or {"marks": [1]})
    known, run = Stretches(), Counted()
    assert known.marks(run, 0.0, 10.0) == {"marks": [1], "text": ""}
    assert known.marks(run, 0.0, 10.0) == {"marks": [1], "text": ""}
    assert len(asked) == 1
    for n in range(20):
        known.marks(run, 0.0, 11.0 + n)
    known.marks(run, 0.0, 10.0)
    assert len(asked) == 22
    assert "choose a part" in known.marks(run, 0.0, LONGEST_S + 1)["text"]
    assert len(asked) == 22


def test_a_bench_without_three_phases_says_so(monkeypatch):
    def refuse(*_):
        raise UsageError("none of the bench's channels has phase W")

    monkeypatch.setattr("dashboard.run_stretches.stretches_of", refuse)
    assert (
        Stretches().marks(Counted(), 0.0, 1.0)["text"]
        == "No stretches: none of the bench's channels has phase W."
    )

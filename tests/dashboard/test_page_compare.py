"""Two runs side by side."""

import numpy as np
import pytest
from page_client import Web

from livesense.analysis import RunAnalysis
from livesense.compare.kept_states import alike_windows, kept_states
from livesense.logbook.reader import Logbook
from simulator.main import BENCH


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """The pump twice: as it is, and with a bench file that says 4 mΩ; and a run of another machine."""
    from livesense.cli.main import main

    folder = tmp_path_factory.mktemp("compare")
    path = folder / "livesense.db"
    sent = folder / "sim.bin"
    assert main(["simulate", "--speed", "max", "--duration", "9s", "--outlet", f"file:{sent}"]) == 0
    other = folder / "other.toml"
    other.write_text(BENCH.read_text(encoding="utf-8").replace('"5 mΩ"', '"4 mΩ"'), encoding="utf-8")
    for bench, name in ((BENCH, "as it is"), (other, "<b>4 mΩ</b>")):
        said = ["record", str(bench), "--port", f"file:{sent}", "--until-closed", "--quiet",
                "--logbook", str(path), "--name", name]  # fmt: skip
        assert main(said) == 0
    return path


@pytest.fixture
def told(book):
    web = Web(book)
    answer = web.get("/api/compare/1/2")
    web.page.close()
    assert answer.status_code == 200, answer.get_data(as_text=True)
    return answer.json


def test_what_changed_is_told_by_its_key(told):
    changed = {row["what"]: (row["first"], row["second"]) for row in told["changed"]}
    assert changed == {f"{name}: shunt": ("5 mΩ", "4 mΩ") for name in ("iu", "iv", "iw", "ibus")}


def test_figures_stand_side_by_side_with_their_difference_and_verdict(told):
    pair = next(pair for pair in told["pairs"] if pair["of"] == "iu")
    rows = {row["label"]: row for row in pair["rows"]}
    assert rows["one code"]["cells"] == ["0.008057 A", "0.01007 A", "0.002014 A"]
    # The same codes through 4 mΩ are a quarter more amperes, beyond what either chain is unsure of.
    assert (
        rows["noise in the band, rms"]["differs"] and rows["noise in the band, rms"]["verdict"] == "differs"
    )
    assert "1.2 times the range" in pair["sentence"] or "1.3 times the range" in pair["sentence"]
    conditions = {row["label"]: row for row in told["conditions"]}
    assert conditions["t_sink"]["verdict"] == "alike within ±"
    assert conditions["Zero of iu"]["cells"][0].startswith("2048 ±")


def test_instants_to_lay_over_one_another_are_found_in_both(told):
    found = {row["key"]: row for row in told["alignments"]}
    assert found["begin"]["first_s"] == found["begin"]["second_s"] == 0.0
    # The pump aligns its rotor 1.5 s into the story.
    for side in ("first_s", "second_s"):
        assert found["start"][side] == pytest.approx(1.5, abs=0.05)
    assert [c["name"] for c in told["channels"]][:3] == ["iu", "iv", "iw"]


def test_a_run_against_itself_is_alike_and_aligned_at_a_rise_through_zero(book):
    with Logbook(book) as logbook:
        one, other = RunAnalysis(logbook, 1), RunAnalysis(logbook, 1)
        from dashboard.compare_data import compared

        told = compared(one, other)
        assert told["matched"] and told["changed"] == []
        for pair in told["pairs"]:
            assert not any(row["differs"] for row in pair["rows"]), pair["of"]
        crossing = next(a for a in told["alignments"] if a["key"] == "crossing")
        assert crossing["first_s"] == crossing["second_s"]
        at_s = crossing["first_s"]
        (window,) = one.window(at_s - 2e-4, at_s + 2e-4, ["iu"])
        assert window.values["iu"][0] < 0 < window.values["iu"][-1]


def test_rows_of_the_trend_find_the_states_that_a_fit_finds(book):
    with Logbook(book) as logbook:
        analysis = RunAnalysis(logbook, 1)
        states = kept_states(analysis)
        assert any(s.frequency_hz == 0 for s in states)
        # The story settles for a second after its start of 4 s.
        turning = [s for s in states if s.frequency_hz > 0 and s.from_s > 6.5]
        assert turning
        for state in turning[:3]:
            measured = analysis.measure(state.from_s, state.to_s)
            assert state.frequency_hz == pytest.approx(measured["speed"]["electrical_hz"]["value"], rel=2e-3)
            squares = [measured["channels"][n]["rms"]["value"] ** 2 for n in ("iu", "iv", "iw")]
            assert state.rms_a == pytest.approx(np.sqrt(np.mean(squares)), rel=5e-3)
        (from_s, to_s), other = alike_windows(analysis, analysis)
        assert to_s - from_s == pytest.approx(0.6, abs=0.1) and other == (from_s, to_s)


def test_what_cannot_be_compared_says_why(book, livesense, tmp_path):
    web = Web(book)
    try:
        assert web.get("/api/compare/1/77").status_code == 404
        assert "no run" in web.screen("/compare/1/77")
        assert "no such screen" in web.screen("/compare/1/two")
        shown = web.screen("/compare/1/2")
        assert "compare-graph" in shown and "Run 1 and run 2" in shown
    finally:
        web.page.close()

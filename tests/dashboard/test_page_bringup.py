"""The bring-up's routes: what they take, what the recorder keeps, and what they refuse."""

import json
import time

import pytest
from page_client import HOME, Web
from walk_bench import Bench, Board
from walk_bench import bench as bench_text

from livesense.bringup.judge import Outcome, Verdict
from livesense.bringup.kept import read_asked, row_of, stage_facts, walk_row
from livesense.bringup.recorded import read_given
from livesense.bringup.stages import Stage
from livesense.errors import UsageError
from livesense.logbook.reader import Logbook

PATIENCE_S = 30.0


@pytest.mark.slow
def test_a_stage_is_judged_on_what_comes_and_kept_by_the_recorder(tmp_path):
    board = Bench(Board())
    file = tmp_path / "pump.toml"
    file.write_text(bench_text(), encoding="utf-8")
    web = Web(tmp_path / "livesense.db", [file], [board.port])
    try:
        assert web.get("/api/bringup").json == {"refused": "there is no logbook yet"}
        web.post("/api/record/start", {"bench": 0, "port": board.port, "name": ""})
        end = time.monotonic() + PATIENCE_S
        while web.get("/api/bringup").json.get("run") != 1:
            assert time.monotonic() < end
            time.sleep(0.1)
        bodies = [None, {}, {"stage": "x"}, {"stage": "stop", "from": -1}, {"stage": "stop", "from": True}]
        bodies += [{"stage": "stop", "from": 0, "given": "1 A"}, {"stage": "align", "from": 0, "given": 5}]
        for body in bodies:
            assert "refused" in web.post("/api/bringup/1/judge", body).json, body
        told = {"state": "waiting"}
        while told["state"] == "waiting":
            assert time.monotonic() < end
            told = web.post("/api/bringup/1/judge", {"stage": "zero-off", "from": 0.5, "given": ""}).json
        assert told["kept"]["verdict"] == "undecided", told
        assert "bus voltage is not measured" in told["kept"]["text"]
        assert [check["verdict"] for check in told["kept"]["checks"]] == ["undecided", *["passed"] * 3]
        while not web.get("/api/bringup/1").json["kept"]:
            assert time.monotonic() < end
            time.sleep(0.1)
        with Logbook(tmp_path / "livesense.db") as book:
            (row,) = book.run(1).stages()
        assert (row.stage, row.verdict, row.from_s, row.to_s) == ("zero-off", "undecided", 0.5, 2.5)
        assert web.get("/api/bringup/9").json["refused"]
        stranger = web.page.dash.server.test_client()
        assert stranger.post("/api/bringup/1/judge", base_url=HOME, json={}).status_code == 401
        assert "bring-zero-off" in web.screen("/bringup")
        assert "Run 7 is not being recorded." in web.screen("/bringup/7")
    finally:
        web.post("/api/record/1/stop", {})
        for started in web.page.control.recorders._started:
            started.process.wait(PATIENCE_S)
        web.page.close()
        board.close()
    assert "Bring-up" in Web(tmp_path / "livesense.db").screen("/runs/1")


def test_what_may_be_given():
    assert read_given(Stage.STOP, " ") is None
    assert read_given(Stage.ALIGN, "4 A").value == 4.0
    assert read_given(Stage.OPEN_LOOP, "20 Hz").unit == "Hz"
    assert read_given(Stage.CLOSED_LOOP, "2940 rpm").unit == "rpm"
    assert read_given(Stage.CLOSED_LOOP, "2940 rpm").value == pytest.approx(2940.0)
    for stage, text in (
        (Stage.ALIGN, "4 V"),
        (Stage.ALIGN, "-4 A"),
        (Stage.OPEN_LOOP, "20"),
        (Stage.STOP, "1 A"),
    ):
        with pytest.raises(UsageError, match=r"^given: expected"):
            read_given(stage, text)


def test_a_row_that_a_page_asks_for_is_held_to_its_shape():
    row = row_of(Verdict(Stage.STOP, Outcome.PASSED, "All rest.", ()), 5.0, (1.0, 3.0), "")
    from livesense.bringup.kept import asked

    assert read_asked(asked(row), 5.0) == row
    assert stage_facts(row)["given"] is None
    good = json.loads(asked(row))
    for change in ({"stage": "x"}, {"verdict": "fine"}, {"text": 5}, {"details": []}, {"from_s": "x"}):
        with pytest.raises(UsageError):
            read_asked(json.dumps(good | change), 5.0)
    for text in ("", "[]", "{}", "null", "[" * 9000):
        with pytest.raises(UsageError):
            read_asked(text, 5.0)


def test_what_came_of_a_walk_is_its_stage():
    row = walk_row("scale kept of iu, iv, iw, from the current", 1.8e9)
    assert (row.stage, row.verdict) == ("walk", "passed") and row.details["walked"].startswith("2027-01-")
    row = walk_row("nothing was kept: iu not proven", 1.8e9)
    assert (row.verdict, row.details) == ("failed", {})

"""The page tells what a run's figures stand on, and asks its recorder for a zero."""

import json

import pytest
from page_client import HOME, Web
from plain_device import bench_text
from still_streams import OFF, stream

from livesense.logbook import requests
from livesense.logbook.writer import LogbookWriter


@pytest.fixture
def web(tmp_path):
    made = []

    def open_page():
        made.append(Web(tmp_path / "livesense.db"))
        return made[-1]

    yield open_page
    for one in made:
        one.page.close()


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "pump.toml"
    path.write_text(bench_text(), encoding="utf-8")
    return path


@pytest.fixture
def port(tmp_path):
    (tmp_path / "off.bin").write_bytes(stream(OFF))
    return f"file:{tmp_path / 'off.bin'}"


def test_a_run_without_calibration_says_so(livesense, web, bench, port):
    livesense("record", bench, "--port", port)
    said = web().screen("/runs/1")
    assert "Not calibrated: the channels read by the bench file alone." in said
    assert "zero-take" not in said


def test_zeros_and_revisions_are_told(livesense, web, bench, port, tmp_path):
    livesense("zero", bench, "--port", port)
    livesense("record", bench, "--port", port)
    page = web()
    said = page.screen("/runs/1")
    assert "zero at 2053." in said
    assert "Corrected" not in said
    fixed = tmp_path / "fixed.toml"
    fixed.write_text(bench_text().replace("gain = 20", "gain = 21"), encoding="utf-8")
    livesense("rescale", 1, "--bench", fixed, "--reason", "gain is <b>21</b>")
    said = page.screen("/runs/1")
    assert "Corrected: revision 1 of " in said
    assert "gain is <b>21</b>" in said


def start(path):
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="", bench_name="b", bench_text=bench_text(), bench_path="", version="", port="",
            wire="framed", started_wall_s=1.0,
        )  # fmt: skip
        yield run


def test_a_zero_is_asked_of_the_recorder_and_its_answer_told(web, tmp_path):
    for run in start(tmp_path / "livesense.db"):
        page = web()
        asked = page.post("/api/runs/1/zero")
        assert asked.status_code == 200
        number = asked.json["request"]
        assert page.get(f"/api/runs/1/zero/{number}").json == {"answer": None}
        (request,) = run.requests()
        assert (request.kind, request.number) == ("zero", number)
        run.answer(number, "no zero was kept: iu drifts")
        run.commit()
        assert page.get(f"/api/runs/1/zero/{number}").json == {"answer": "no zero was kept: iu drifts"}
        assert page.get(f"/api/runs/2/zero/{number}").status_code == 404
        assert page.get(f"/api/runs/1/zero/{number + 5}").status_code == 404
        other = requests.ask(tmp_path / "livesense.db", 1, "note", "warm")
        assert page.get(f"/api/runs/1/zero/{other}").status_code == 404


def test_a_run_that_is_over_gives_no_zero(livesense, web, bench, port):
    livesense("record", bench, "--port", port)
    refused = web().post("/api/runs/1/zero")
    assert refused.status_code == 409
    assert "is not being recorded" in refused.get_data(as_text=True)
    assert web().post("/api/runs/7/zero").status_code == 404


def test_without_a_logbook_nothing_is_asked(web):
    assert web().post("/api/runs/1/zero").status_code == 409
    assert web().get("/api/runs/1/zero/1").status_code == 409


def test_points_are_asked_of_the_recorder_as_they_are_written(web, tmp_path):
    for run in start(tmp_path / "livesense.db"):
        page = web()
        said = {"channels": "iu,-iv", "value": "10,003", "error": "0,05 % + 2 mA", "meter": ""}
        assert page.post("/api/runs/1/point", said).status_code == 200
        page.post("/api/runs/1/discard", {"point": 4})
        page.post("/api/runs/1/scale")
        point, discard, scale = run.requests()
        assert (point.kind, discard.kind, scale.kind) == ("point", "discard", "scale")
        assert json.loads(point.text) == {
            "channels": "iu,-iv", "value": "10.003 A", "errors": ["0.05 %", "2 mA"], "meter": "",
        }  # fmt: skip
        assert json.loads(discard.text) == {"point": 4}
        run.answer(point.number, "point kept: iu")
        run.commit()
        assert page.get(f"/api/runs/1/point/{point.number}").json == {"answer": "point kept: iu"}
        assert page.get(f"/api/runs/1/zero/{point.number}").status_code == 404


@pytest.mark.parametrize(
    ("path", "said"),
    [("point", None), ("point", {"channels": "ix"}), ("point", {"channels": "iu", "value": 7}),
     ("point", {"channels": "iu", "value": "1" * 81}), ("discard", []), ("discard", {"point": "4"})],
)  # fmt: skip
def test_what_is_no_question_is_not_asked(web, tmp_path, path, said):
    for run in start(tmp_path / "livesense.db"):
        refused = web().post(f"/api/runs/1/{path}", said)
        assert refused.status_code == 409
        assert "expected" in refused.get_data(as_text=True)
        assert run.requests() == []


def test_points_that_wait_are_told_with_what_they_make(livesense, web, bench, tmp_path, port):
    livesense("record", bench, "--port", port)
    page = web()
    assert page.get("/api/runs/1/points").json == {"points": [], "fits": [], "ready": False}
    (tmp_path / "p.csv").write_text("value,code\n0 A,2050.0\n", encoding="utf-8")
    add = (
        "calibrate",
        bench,
        "--channel",
        "iu",
        "--reference-error",
        "0.05 %",
        "--points",
        tmp_path / "p.csv",
    )
    assert livesense(*add).code == 0
    told = page.get("/api/runs/1/points").json
    assert told["ready"] is False
    assert "expected at least two points" in told["fits"][0]["text"]
    assert told["points"][0]["residual"] == ""
    (tmp_path / "p.csv").write_text("value,code\n8 A,3050.0\n-8 A,1052.0\n", encoding="utf-8")
    assert livesense(*add).code == 0
    told = page.get("/api/runs/1/points").json
    assert told["ready"] is True
    assert [p["residual"] != "" for p in told["points"]] == [True] * 3
    assert told["fits"][0]["text"].startswith("iu: 8.00")
    assert "mA a code, \u22120." in told["fits"][0]["text"]
    assert "Largest residual " in told["fits"][0]["text"]
    (tmp_path / "p.csv").write_text("value,code\n16 A,3050.0\n-16 A,1050.0\n", encoding="utf-8")
    livesense("calibrate", bench, "--discard")
    assert livesense(*add).code == 0
    told = page.get("/api/runs/1/points").json
    assert (told["ready"], told["fits"][0]["bad"]) == (False, True)
    assert "more than is plausible" in told["fits"][0]["text"]
    assert page.get("/api/runs/9/points").status_code == 404


def test_strangers_ask_nothing(web):
    stranger = web().page.dash.server.test_client()
    assert stranger.post("/api/runs/1/zero", base_url=HOME).status_code in (401, 403)

"""Notes on a run that is over, through the page's routes."""

import pytest
from page_client import HOME, Web

from livesense.logbook.writer import LogbookWriter
from simulator.main import BENCH

HOSTILE = "<img src=x onerror=alert(1)> bearing changed"


@pytest.fixture
def web(tmp_path):
    path = tmp_path / "pump.db"
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="one", bench_name="pump", bench_text=BENCH.read_text(encoding="utf-8"),
            bench_path="p.toml", version="0",
            port="p", wire="framed", started_wall_s=1.0,
        )  # fmt: skip
        run.note("valve half open", 1.5, source="user")
        run.finish("time", 2.0, {})
    web = Web(path)
    yield web
    web.page.close()


def notes(web):
    return web.get("/api/runs/1").json["notes"]


def test_a_note_comes_to_a_run_that_is_over_and_stands_at_no_instant_of_it(web):
    assert web.post("/api/runs/1/notes", {"text": f"  {HOSTILE} "}).status_code == 200
    first, later = notes(web)
    assert (first["text"], first["source"], first["at_s"]) == ("valve half open", "user", 0.5)
    assert (later["text"], later["source"], later["at_s"]) == (HOSTILE, "page", None)
    assert later["added"] > "2020"


def test_what_is_no_note_is_refused(web):
    for said in ({"text": "  "}, {"text": "x" * 100_000}, {"text": 7}, {}, ["text"]):
        refused = web.post("/api/runs/1/notes", said)
        assert refused.status_code == 400 and refused.text.startswith("a note is text of 1 to")
    assert web.post("/api/runs/7/notes", {"text": "x"}).status_code == 404
    assert len(notes(web)) == 1


def test_the_most_that_a_run_may_have_is_told(web, monkeypatch):
    monkeypatch.setattr("livesense.logbook.requests.MOST_LATER", 1)
    assert web.post("/api/runs/1/notes", {"text": "one"}).status_code == 200
    refused = web.post("/api/runs/1/notes", {"text": "two"})
    assert refused.status_code == 409 and "at most 1 notes" in refused.text
    assert len(notes(web)) == 2


def test_strangers_add_nothing(web):
    stranger = web.page.dash.server.test_client()
    assert stranger.post("/api/runs/1/notes", base_url=HOME, json={"text": "x"}).status_code == 401
    foreign = web.client.post(
        "/api/runs/1/notes", base_url=HOME, json={"text": "x"}, headers={"Origin": "http://example.org"}
    )
    assert foreign.status_code == 403
    assert len(notes(web)) == 1

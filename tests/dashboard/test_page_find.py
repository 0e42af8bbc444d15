"""Finding runs by words, and deleting them."""

import time

import pytest
from page_client import Web

from dashboard.find import find
from livesense.cli.main import main
from livesense.logbook import requests
from livesense.logbook.copying import copy_run
from livesense.logbook.reader import Logbook
from simulator.main import BENCH


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Three runs: one with events, one with a note of its own, and one that is plain."""
    folder = tmp_path_factory.mktemp("find")
    path = folder / "livesense.db"
    for scenario, seconds in (("overload", "13s"), ("bring-up", "2s")):
        told = ["--scenario", scenario, "--duration", seconds, "--outlet", f"file:{folder / scenario}"]
        assert main(["simulate", "--speed", "max", *told]) == 0
    for name, scenario in (("Überlast", "overload"), ("first turn", "bring-up"), ("second turn", "bring-up")):
        port = ["--port", f"file:{folder / scenario}", "--until-closed", "--quiet"]
        assert main(["record", str(BENCH), *port, "--logbook", str(path), "--name", name]) == 0
    requests.ask(path, 2, "note", "outlet Valve half OPEN")
    return path


@pytest.fixture
def book(recorded, tmp_path):
    with Logbook(recorded) as logbook:
        for number in (1, 2, 3):
            copy_run(logbook, number, tmp_path / "livesense.db", lambda *_: None)
    return tmp_path / "livesense.db"


def numbers(book, query, with_events=False):
    with Logbook(book) as logbook:
        rows, found, count = find(logbook, query, with_events)
    assert count == 3
    return [row.number for row in rows], found


def test_words_are_found_in_rows_notes_and_events(book):
    assert numbers(book, "") == ([3, 2, 1], {})
    assert numbers(book, "  turn ") == ([3, 2], {})
    assert numbers(book, "ÜBERLAST") == ([1], {})
    assert numbers(book, "turn valve") == ([2], {2: "note: outlet Valve half OPEN"})
    shown, found = numbers(book, "overcurrent iv")
    assert shown == [1] and found[1].startswith("event: overcurrent i")
    assert 3 in numbers(book, "run 3")[0]
    assert numbers(book, "valve overcurrent")[0] == []
    assert numbers(book, "", with_events=True)[0] == [1]


def test_a_date_is_found_as_it_is_shown(book):
    with Logbook(book) as logbook:
        from dashboard.run_data import when

        day = when(logbook.runs()[0].started_wall_s)[:10]
    assert numbers(book, day)[0] == [3, 2, 1]
    assert numbers(book, "1999-12-31")[0] == []


def test_runs_are_deleted_for_good_and_others_stay(book):
    web = Web(book)
    try:
        answer = web.post("/api/runs/delete", {"runs": [1, 3]})
        assert answer.status_code == 200 and answer.json == {"deleted": [1, 3]}
        with Logbook(book) as logbook:
            assert [row.number for row in logbook.runs()] == [2]
        gone = web.post("/api/runs/delete", {"runs": [3]})
        assert gone.status_code == 409 and "run" in gone.get_data(as_text=True)
        assert web.get("/api/runs/3").status_code == 404
    finally:
        web.page.close()


@pytest.mark.parametrize(
    "said", [None, [], {"runs": []}, {"runs": "all"}, {"runs": [True]}, {"runs": [0]}, {"runs": [1.5]},
             {"runs": list(range(1, 202))}, {"runs": [1 << 62]}],
)  # fmt: skip
def test_what_names_no_runs_deletes_none(book, said):
    web = Web(book)
    try:
        assert web.post("/api/runs/delete", said).status_code == 400
    finally:
        web.page.close()
    with Logbook(book) as logbook:
        assert len(logbook.runs()) == 3


def test_deleting_wants_the_key_and_this_page(book):
    web = Web(book)
    try:
        stranger = web.page.dash.server.test_client()
        home = "http://127.0.0.1:8050"
        assert stranger.post("/api/runs/delete", json={"runs": [1]}, base_url=home).status_code == 401
        foreign = {"Origin": "http://example.org"}
        answer = web.client.post("/api/runs/delete", json={"runs": [1]}, base_url=home, headers=foreign)
        assert answer.status_code == 403
        web.get("/api/runs/delete")
    finally:
        web.page.close()
    with Logbook(book) as logbook:
        assert len(logbook.runs()) == 3


def test_live_goes_on_to_the_newest_run_that_is_left(book):
    web = Web(book)
    try:
        assert web.page.live.facts()[1]["run"] == 3
        assert web.post("/api/runs/delete", {"runs": [3]}).status_code == 200
        end = time.monotonic() + 20
        while web.page.live.facts()[1]["run"] == 3 and time.monotonic() < end:
            time.sleep(0.05)
        facts = web.page.live.facts()[1]
        assert facts["run"] == 2 and facts["sentence"]["text"].startswith("Nothing is recorded now. Run 2")
    finally:
        web.page.close()

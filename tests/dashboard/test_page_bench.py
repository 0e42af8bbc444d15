"""The bench file on the page: only those of the start, judged by the server, written with a backup."""

import json

import pytest
from page_client import HOME, Web

from simulator.main import BENCH

PUMP = BENCH.read_text(encoding="utf-8")


@pytest.fixture
def file(tmp_path):
    (tmp_path / "benches").mkdir()
    path = tmp_path / "benches" / "pump.toml"
    path.write_text(PUMP, encoding="utf-8", newline="")
    return path


@pytest.fixture
def web(tmp_path, file):
    made = []

    def make(*benches):
        made.append(Web(tmp_path / "livesense.db", benches or (file,)))
        return made[-1]

    yield make
    for one in made:
        one.page.close()


def ask(web, form, told):
    return {"form": form, "digest": told["digest"]}


def test_a_form_is_judged_and_saved(web, file):
    page = web()
    told = page.get("/api/bench/0").json
    assert told["problems"] == {} and told["channels"][0]["name"] == "iu"
    assert "text" not in told
    form = told["form"]
    form["channel"][0]["keys"]["gain"] = "a lot"
    judged = page.post("/api/bench/0/judge", ask(page, form, told)).json
    assert list(judged["problems"]) == ["channel.0.gain"]
    assert page.post("/api/bench/0/save", ask(page, form, told)).json["refused"].startswith("not saved")
    assert file.read_text(encoding="utf-8") == PUMP
    form["channel"][0]["keys"]["gain"] = "10"
    saved = page.post("/api/bench/0/save", ask(page, form, told)).json
    assert saved["form"]["channel"][0]["keys"]["gain"] == "10"
    assert file.read_text(encoding="utf-8") == PUMP.replace("gain = 20", "gain = 10", 1)
    assert file.with_name("pump.toml.bak").read_text(encoding="utf-8") == PUMP
    # Another window that still shows the file as it was.
    assert "changed meanwhile" in page.post("/api/bench/0/save", ask(page, form, told)).json["refused"]


def test_port_and_what_is_sent_cannot_be_set(web, file):
    page = web()
    told = page.get("/api/bench/0").json
    for key, text in (("port", "file:/etc/passwd"), ("on_open", "rm"), ("dtr", "true"), ("rts", "true")):
        form = json.loads(json.dumps(told["form"]))
        form["link"][key] = text
        for way in ("judge", "save", "check"):
            assert (
                "in an editor only" in page.post(f"/api/bench/0/{way}", ask(page, form, told)).json["refused"]
            )
    assert file.read_text(encoding="utf-8") == PUMP


def test_no_other_file_can_be_reached(web, tmp_path):
    secret = tmp_path / "secret.toml"
    secret.write_text(PUMP, encoding="utf-8")
    page = web()
    before = sorted(path.name for path in tmp_path.rglob("*"))
    told = page.get("/api/bench/0").json
    assert "refused" in page.get("/api/bench/1").json
    for path in (
        "../secret.toml", "..%2Fsecret.toml", "%2e%2e/%2e%2e/secret.toml", "-1", "0/../1", "0x0", "secret",
        "/etc/passwd", "0%00", "..\\secret.toml",
    ):  # fmt: skip
        for way in (f"/api/bench/{path}", f"/bench-card/{path}", f"/assets/{path}"):
            answer = page.get(way)
            # Every path that is no route of its own is the page itself, whose script then finds no screen.
            assert answer.status_code != 200 or b"_dash-config" in answer.data or "refused" in answer.json, (
                way
            )
            assert b"coolant" not in answer.data and b"root:" not in answer.data
    for number in (1, 2, 99999999999999999999):
        for way in ("judge", "save", "check"):
            answer = page.post(f"/api/bench/{number}/{way}", ask(page, told["form"], told))
            assert "refused" in answer.json
    assert page.get("/bench-card/0?paper=../../x").status_code == 409
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


@pytest.mark.parametrize("body", [None, 5, [], {}, {"form": {}}, {"digest": "x", "form": {}}, {"digest": 5}])
def test_what_is_no_request(web, body, file):
    page = web()
    for way in ("judge", "save", "check"):
        assert "refused" in page.post(f"/api/bench/0/{way}", body).json
    assert file.read_text(encoding="utf-8") == PUMP


def test_strangers_and_foreign_pages_get_nothing(web):
    page = web()
    stranger = page.page.dash.server.test_client()
    for path in ("/api/bench/0", "/api/bench/fields", "/bench-card/0"):
        assert stranger.get(path, base_url=HOME).status_code == 401
    assert stranger.post("/api/bench/0/check", base_url=HOME, json={}).status_code == 401
    foreign = {"Origin": "http://evil.example"}
    assert page.client.post("/api/bench/0/save", base_url=HOME, json={}, headers=foreign).status_code == 403


def test_a_file_that_is_wrong_is_a_form_all_the_same_and_no_toml_is_none(web, file):
    page = web()
    file.write_text(PUMP.replace('"5 mΩ"', '"5 mA"', 1), encoding="utf-8", newline="")
    told = page.get("/api/bench/0").json
    assert list(told["problems"]) == ["channel.0.shunt"]
    assert page.get("/bench-card/0").status_code == 409
    file.write_text("[bench\n", encoding="utf-8")
    assert "mend it in an editor" in page.get("/api/bench/0").json["refused"]
    file.unlink()
    assert "expected a bench file" in page.get("/api/bench/0").json["refused"]


def test_what_is_typed_is_checked_and_not_what_is_saved(web, file):
    page = web()
    told = page.get("/api/bench/0").json
    form = told["form"]

    def checked(**more):
        return page.post("/api/bench/0/check", ask(page, form, told) | more).json

    def kinds():
        return {finding["kind"] for finding in checked()["findings"]}

    assert "range-small" not in kinds()
    form["motor"]["rated_current"] = "20 A"
    assert "range-small" in kinds()
    assert file.read_text(encoding="utf-8") == PUMP
    assert checked()["unproven"]
    assert "record a run first" in checked(by_run=True)["refused"]
    form["motor"]["rated_current"] = "much"
    assert checked()["refused"] == "not checked: mend what is marked first"


def test_the_card_is_that_of_the_command(web):
    said = web().get("/bench-card/0").get_data(as_text=True)
    assert "Prove dead." in said and "<script" not in said


def test_the_screen(web, tmp_path):
    page = web()
    assert "pump.toml" in page.screen("/bench") and str(tmp_path) not in page.screen("/bench")
    assert "There is no such screen." in page.screen("/bench/1")
    assert "There is no such screen." in page.screen("/bench/x")
    none = Web(tmp_path / "livesense.db")
    assert "livesense serve --bench pump.toml" in none.screen("/bench")
    none.page.close()

"""The page's walk, server side: steps of a stored run, refusals, fields, verdict and command."""

import json
import shlex

import numpy as np
import pytest
from page_client import HOME, Web
from walk_bench import RATE_HZ, SEQUENCE, Board, bench

from dashboard import walk_data
from livesense.errors import UsageError
from livesense.logbook import requests

WINDOWS = {"rest": [0.0, 2.0], "U-V": [2.0, 4.0], "V-W": [4.0, 6.0]}
FIELDS = {"current": "1.000 A", "error": "0.2 %", "volts": {}, "volts_error": ""}


class WalkWeb(Web):
    def post(self, path, said):
        return super().post(f"/api/walk/1/{path}", said)

    def read(self, step, from_s, rest=WINDOWS["rest"]):
        answer = self.post("reading", {"step": step, "from": from_s, "rest": rest})
        assert answer.status_code == 200, answer.text
        return answer.json

    def judge(self, **changes):
        answer = self.post("verdict", {"judge": True, "windows": WINDOWS, **FIELDS, **changes})
        assert answer.status_code == 200, answer.text
        return answer.json


@pytest.fixture
def web(tmp_path):
    made = []

    def open_page():
        made.append(WalkWeb(tmp_path / "livesense.db"))
        return made[-1]

    yield open_page
    for one in made:
        one.page.close()


@pytest.fixture
def walk(livesense, tmp_path, web):
    """Record two seconds of each step as a run, and open the page on it."""

    def made(board, text="", change=None, steps=SEQUENCE):
        codes = np.concatenate([board.codes(step, 1.0, int(2 * RATE_HZ)) for step in steps])
        if change is not None:
            codes = change(codes)
        lines = [f"{n},{','.join(map(str, row))}" for n, row in enumerate(codes.tolist())]
        (tmp_path / "s.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
        (tmp_path / "pump.toml").write_text(text or bench(), encoding="utf-8")
        recorded = livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
        assert recorded.code == 0, recorded.err
        return web()

    return made


class TestSteps:
    def test_each_step_says_what_was_seen(self, walk):
        page = walk(Board())
        rest = page.read("rest", 0.0, None)
        assert (rest["state"], rest["to_s"]) == ("read", 2.0)
        assert rest["text"].startswith("Rest is read. Codes: iu 205")
        seen = page.read("U-V", 2.0)
        assert seen["state"] == "read"
        values = [
            float(part.split("\u00a0")[0].split()[1].replace("−", "-")) for part in seen["text"].split(", ")
        ]
        assert values == pytest.approx([1.0, -1.0, 0.0], abs=0.003)

    def test_scans_that_are_not_there_are_waited_for_while_a_run_lasts(self, walk, monkeypatch):
        page = walk(Board())
        told = page.read("V-W", 4.5)
        assert told["state"] == "refused"
        assert "no longer being recorded" in told["text"]
        assert page.get("/api/walk/1/now").json == {"now_s": 6.0}

    def test_what_moves_is_refused_in_the_command_s_words(self, walk):
        def drifting(codes):
            return codes + (np.arange(len(codes)) // 100)[:, None]

        page = walk(Board(), change=drifting)
        told = page.read("U-V", 2.0)
        assert told["state"] == "refused"
        assert told["text"].startswith("Not read: iu drifts by ")
        told = page.post("verdict", {"judge": True, "windows": WINDOWS, **FIELDS})
        assert told.status_code == 409
        assert "rest: iu drifts by" in told.text
        assert "read this step again" in told.text

    def test_a_motor_that_turns_is_refused(self, walk):
        def turning(codes):
            wave = 200 * np.sin(2 * np.pi * 50 / RATE_HZ * np.arange(len(codes)))
            return codes + np.round(wave).astype(int)[:, None]

        page = walk(Board(), change=turning)
        assert "alternates by" in page.read("rest", 0.0, None)["text"]
        assert "varies by" in page.read("U-V", 2.0)["text"]

    def test_the_rest_comes_first(self, walk):
        assert "the rest has to be read first" in walk(Board()).read("U-V", 2.0, None)["text"]

    @pytest.mark.parametrize(
        "said",
        [
            None, [], {"step": "U-V"}, {"step": "U-U", "from": 1.0}, {"step": "U-V", "from": "1"},
            {"step": "U-V", "from": 2.0, "rest": [3.0, 1.0]}, {"step": "U-V", "from": -1.0},
            {"step": "U-V", "from": 2.0, "rest": [0, 1e9]}, {"step": 3, "from": 1.0},
        ],
    )  # fmt: skip
    def test_requests_that_are_none(self, walk, said):
        answer = walk(Board()).post("reading", said)
        assert answer.status_code == 409
        assert "expected" in answer.text


class TestVerdict:
    def test_proven(self, walk):
        told = walk(Board()).judge()
        assert told["problems"] == {}
        verdict = told["verdict"]
        assert verdict["proven"] is True
        assert verdict["sentence"] == "iu, iv, iw: mapping, direction and scale proven."
        assert [c["fix"] for c in verdict["channels"]] == [None] * 3
        assert [g["name"] for g in verdict["gains"]] == ["iu", "iv", "iw"]
        assert all(float(g["relative"].split()[0]) == pytest.approx(1, abs=0.01) for g in verdict["gains"])

    def test_reversed_swapped_and_silent_are_told_with_their_fixes(self, walk):
        board = Board(leads=("V", "U", "W"), signs=(1, 1, -1))
        verdict = walk(board).judge()["verdict"]
        assert verdict["proven"] is False
        assert verdict["sentence"] == "iu, iv: at another lead; iw: reversed."
        assert [c["fix"] for c in verdict["channels"]] == [
            'in the [[channel]] named "iu": phase = "V"',
            'in the [[channel]] named "iv": phase = "U"',
            'in the [[channel]] named "iw": plus_input = "motor"',
        ]
        assert "--out corrected.toml" in verdict["command"]
        assert verdict["gains"] == []

    def test_the_command_judges_the_same_scans(self, walk, livesense):
        steps = (*SEQUENCE, "W-U")
        page = walk(Board(gains=(1.003, 0.998, 1.0)), steps=steps)
        told = page.judge(
            windows={**WINDOWS, "W-U": [6.0, 8.0]},
            current="1,000",
            error="0,2 % + 2 mA",
            volts={"U-V": "0,21", "W-U": "", "V-W": "211 mV"},
            volts_error="0,5 %",
        )
        assert told["problems"] == {}
        verdict = told["verdict"]
        assert verdict["resistance"][0]["step"] == "U-V"
        assert verdict["resistance"][0]["text"].startswith("0.2100 ± 0.00")
        assert "of one phase (star) 0.10" in verdict["resistance"][0]["text"]
        words = shlex.split(verdict["command"])
        same = livesense(*words[1:], "--json", "--no-keep")
        assert same.code == 0, same.err
        for channel in verdict["channels"]:
            assert channel["text"].replace("\u00a0", " ") == same.json["channels"][channel["name"]]["text"]
        assert same.json["current"]["u"] == pytest.approx(0.0016330, rel=1e-3)
        assert set(same.json["resistance"]) == {"U-V", "V-W"}

    def test_what_a_walk_does_not_reach_is_told(self, walk):
        low = bench(**{'name = "iw"\nphase = "W"': 'name = "iw"\nplace = "low-side"\nphase = "W"'})
        verdict = walk(Board(), low).judge()["verdict"]
        (left,) = verdict["left"]
        assert left["name"] == "iw"
        assert "carries nothing while no switch conducts" in left["text"]

    def test_names_and_paths_that_mean_harm_stay_out_of_the_command(self, walk, tmp_path):
        assert walk_data._quoted('a";rm -rf x', "FILE") == "FILE"
        assert walk_data._quoted("$(x)", "FILE") == "FILE"
        assert walk_data._quoted("`x`", "FILE") == "FILE"
        assert walk_data._quoted("--json", "FILE") == "FILE"
        assert walk_data._quoted("my pump.toml", "FILE") == '"my pump.toml"'
        assert walk_data._quoted("C:\\benches\\pump.toml", "FILE") == '"C:\\benches\\pump.toml"'


class TestFields:
    def test_nothing_is_judged_while_a_field_is_wrong(self, walk):
        page = walk(Board())
        told = page.judge(current="1 V", error="much", volts={"U-V": "-1 V"}, volts_error="1 V")
        assert told["verdict"] is None
        assert set(told["problems"]) == {"current", "error", "volts-U-V", "volts-error"}
        assert told["problems"]["current"] == "expected a value in A such as \"1.000 A\", got '1 V'"
        assert "expected volts above zero" in told["problems"]["volts-U-V"]
        assert page.judge(current="0")["problems"] == {"current": "expected a current above zero, got '0 A'"}

    def test_fields_alone_are_looked_at_while_steps_lack(self, walk):
        told = walk(Board()).judge(judge=False, windows={}, current="1 A")
        assert told == {"problems": {}, "verdict": None}

    def test_steps_that_are_too_few(self, walk):
        answer = walk(Board()).post(
            "verdict", {"judge": True, "windows": {"rest": [0, 2], "U-V": [2, 4]}, **FIELDS}
        )
        assert answer.status_code == 409
        assert "at least two steps" in answer.text
        answer = walk_data.read_asked({"windows": {}, **FIELDS})
        assert answer.errors == ("0.2 %",)

    def test_a_walk_without_its_rest(self, walk):
        windows = {name: window for name, window in WINDOWS.items() if name != "rest"}
        answer = walk(Board()).post("verdict", {"judge": True, "windows": windows, **FIELDS})
        assert answer.status_code == 409
        assert "rest" in answer.text

    @pytest.mark.parametrize(
        ("written", "meant"),
        [
            ("1,000 A", "1.000 A"), ("1.000 A", "1.000 A"), (" 998,5 mA ", "998.5 mA"), ("1", "1 A"),
            ("0,5", "0.5 A"), ("1,000.5 A", "1,000.5 A"), ("1,2,3 A", "1,2,3 A"), ("", ""),
        ],
    )  # fmt: skip
    def test_decimal_commas_and_bare_numbers(self, written, meant):
        assert walk_data.plain(written, "A") == meant

    @pytest.mark.parametrize(
        "said",
        [
            None, 3, {"windows": []}, {"windows": {"U-U": [0, 1]}}, {"current": 1},
            {"current": "1" * 100}, {"volts": {"X": "1 V"}}, {"windows": {"rest": [True, 2]}},
            {"windows": {"rest": [0, float("inf")]}}, {"windows": {"rest": [float("nan"), 1]}},
        ],
    )  # fmt: skip
    def test_requests_that_are_none(self, said):
        with pytest.raises(UsageError, match="expected"):
            walk_data.read_asked(said)


class TestKeep:
    def test_a_run_that_is_over_has_no_recorder_to_ask(self, walk):
        page = walk(Board())
        answer = page.post("keep", {"windows": WINDOWS, **FIELDS})
        assert answer.status_code == 409
        assert "is not being recorded" in answer.text

    def test_what_is_asked_is_what_was_judged(self, walk, monkeypatch):
        asked = []
        monkeypatch.setattr(walk_data.logbook_requests, "ask", lambda *words: asked.append(words) or 5)
        page = walk(Board())
        told = page.post(
            "keep",
            {
                "windows": WINDOWS,
                **FIELDS,
                "current": "1,000",
                "error": "0,2 % + 1 mA",
                "volts": {"U-V": "0,21"},
                "volts_error": "0,5 %",
            },
        )
        assert told.json == {"request": 5}
        ((_, run, kind, text),) = asked
        assert (run, kind) == (1, "walk")
        said = {
            "windows": WINDOWS,
            "current": "1.000 A",
            "errors": ["0.2 %", "1 mA"],
            "volts": {"U-V": "0.21 V"},
            "volts_error": "0.5 %",
        }
        assert json.loads(text) == said
        assert page.post("keep", {"windows": WINDOWS, **FIELDS, "current": "x"}).status_code == 409
        assert len(asked) == 1

    def test_answers_of_other_requests_are_none(self, walk, tmp_path):
        page = walk(Board())
        note = requests.ask(tmp_path / "livesense.db", 1, "note", "warm")
        assert page.get(f"/api/walk/1/keep/{note}").status_code == 409
        assert page.get("/api/walk/1/keep/77").status_code == 409


class TestScreen:
    def test_without_a_recording_it_says_how_to_start_one(self, walk, web):
        assert "Nothing is being recorded." in web().screen("/walk")
        page = walk(Board())
        said = page.screen("/walk")
        assert "Nothing is being recorded." in said
        assert "livesense record BENCH.toml" in said
        assert "prove it dead with a rated meter" in said
        assert "Run 1 is not being recorded." in page.screen("/walk/1")
        assert page.get("/api/walk").json == {"run": None}

    def test_a_logbook_that_is_just_being_made_holds_no_run_yet(self, web, tmp_path):
        (tmp_path / "livesense.db").touch()
        page = web()
        assert page.get("/api/walk").json == {"run": None}
        assert page.get("/api/walk/1/now").status_code == 409

    def test_cautions_come_before_fields_and_steps(self, walk, monkeypatch):
        page = walk(Board())
        monkeypatch.setattr(walk_data, "chosen", lambda desk, number: (1, [7]))
        said = page.screen("/walk")
        places = [
            said.index(text) for text in ("prove it dead", "walk-sure", "walk-current", "walk-rest-read")
        ]
        assert places == sorted(places)
        assert "clamp the supply" not in said.split("walk-steps")[0]
        assert "run 7" in said

    def test_a_bench_that_cannot_be_walked(self, walk, monkeypatch):
        low = bench(**{'sensor = "shunt"': 'place = "low-side"\nsensor = "shunt"'})
        page = walk(Board(), low)
        monkeypatch.setattr(walk_data, "chosen", lambda desk, number: (1, []))
        assert "This bench cannot be walked." in page.screen("/walk")

    def test_paths_that_are_none(self, walk):
        page = walk(Board())
        for path in ("/walk/x", "/walk/1/2", "/walk/" + "9" * 20):
            assert "There is no such screen." in page.screen(path)

    def test_strangers_read_nothing(self, walk):
        page = walk(Board())
        stranger = page.page.dash.server.test_client()
        assert stranger.get("/api/walk", base_url=HOME).status_code == 401
        assert stranger.post("/api/walk/1/reading", base_url=HOME, json={}).status_code == 401
        foreign = page.client.post(
            "/api/walk/1/verdict", base_url=HOME, json={}, headers={"Origin": "http://evil.example"}
        )
        assert foreign.status_code == 403
        assert page.get("/api/walk/9/now").status_code == 404

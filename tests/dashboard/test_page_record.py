"""Starting and stopping recorders from the page: real processes, a real logbook, no browser."""

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from page_client import HOME, Web
from walk_bench import Bench, Board
from walk_bench import bench as bench_text

from dashboard import record_data
from dashboard.commands import Commands, said, words
from dashboard.recorders import AtWork, Recorders, plain_name
from livesense.errors import UsageError

PATIENCE_S = 30.0


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "pump.toml"
    path.write_text(bench_text(), encoding="utf-8")
    return path


@pytest.fixture
def board():
    board = Bench(Board())
    yield board
    board.close()


@pytest.fixture
def web(tmp_path, bench):
    made = []

    def make(*links, benches=(bench,)):
        made.append(Web(tmp_path / "livesense.db", benches, links))
        return made[-1]

    yield make
    for one in made:
        for run in state(one)["recordings"]:
            one.post(f"/api/record/{run['run']}/stop", {})
        until(one, lambda told: not told["recordings"] and not told["starting"])
        one.page.close()


def state(web):
    return web.get("/api/record").json


def until(web, right):
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        told = state(web)
        if right(told):
            return told
        time.sleep(0.05)
    pytest.fail(f"still not so after {PATIENCE_S:g} s: {told}")


def listed(monkeypatch, *ports):
    """Have the computer list these ports."""
    rows = [{"device": port, "description": "", "usb_id": None, "serial_number": None} for port in ports]
    monkeypatch.setattr(Commands, "ask", lambda *_, **__: {"ports": rows})


class TestWhatMayBeUsed:
    def test_only_ports_that_are_listed_or_were_named_at_the_start(self, web, monkeypatch):
        listed(monkeypatch, "COM5")
        page = web("socket://127.0.0.1:9")
        told = page.get("/api/record/ports").json
        assert [row["port"] for row in told["ports"]] == ["socket://127.0.0.1:9", "COM5"]
        # A link of the command line is no bench file's own port.
        assert "socket://127.0.0.1:9" not in told["of"].values()
        for port in (
            "file:/etc/passwd",
            "/etc/passwd",
            "socket://10.0.0.1:22",
            "-",
            "",
            None,
            5,
            ["COM5"],
            "com5",
        ):
            for path in ("start", "identify"):
                told = page.post(f"/api/record/{path}", {"bench": 0, "port": port, "name": ""}).json
                assert told == {"refused": "expected one of the ports that are listed: list them again"}

    def test_only_the_bench_files_of_the_start(self, web, monkeypatch):
        listed(monkeypatch, "COM5")
        page = web()
        for bench in (1, -1, "0", True, None, "../pump.toml", "/etc/passwd", 0.0):
            told = page.post("/api/record/start", {"bench": bench, "port": "COM5", "name": ""}).json
            assert "expected one of the bench files that the page was started with" in told["refused"]
        assert state(page) == {"recordings": [], "starting": [], "ends": []}

    @pytest.mark.parametrize("body", [None, [], "x", 5, {}, {"bench": 0, "port": "COM5", "name": 7}])
    def test_what_is_no_request(self, web, monkeypatch, body):
        listed(monkeypatch, "COM5")
        assert "refused" in web().post("/api/record/start", body).json

    def test_strangers_and_foreign_pages_start_nothing(self, web):
        page = web("socket://127.0.0.1:9")
        ask = {"bench": 0, "port": "socket://127.0.0.1:9", "name": ""}
        stranger = page.page.dash.server.test_client()
        for path in ("start", "identify", "1/stop", "1/note", "1/meter", "told/1"):
            assert stranger.post(f"/api/record/{path}", base_url=HOME, json=ask).status_code == 401
            for headers in ({"Origin": "http://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
                answer = page.client.post(f"/api/record/{path}", base_url=HOME, json=ask, headers=headers)
                assert answer.status_code == 403
        for path in ("", "/ports", "/1/channels"):
            assert stranger.get(f"/api/record{path}", base_url=HOME).status_code == 401
        assert state(page)["starting"] == []

    def test_a_command_is_an_argument_list_whatever_the_words_are(self):
        assert words("identify", "--", "$(reboot)")[-1] == "$(reboot)"
        assert plain_name("a\x00b\n\u202ec" + "x" * 999).startswith("a b c")
        assert len(plain_name("x" * 999)) == 200


@pytest.mark.slow
def test_a_recorder_starts_answers_and_stops(web, board):
    port = board.port
    page = web(port)
    started = page.post("/api/record/start", {"bench": 0, "port": port, "name": "cold <b>"}).json
    assert "key" in started, started
    (run,) = until(page, lambda told: told["recordings"])["recordings"]
    assert (run["run"], run["name"], run["port"]) == (1, "cold <b>", port)
    assert "already" in page.post("/api/record/start", {"bench": 0, "port": port, "name": ""}).json["refused"]
    assert page.post("/api/record/1/note", {"text": "valve half open"}).json["request"]
    assert page.post("/api/record/1/note", {"text": "  "}).json["refused"].startswith("expected a note")
    until(page, lambda told: [n["text"] for n in told["recordings"][0]["notes"]] == ["valve half open"])
    held_against_a_meter(page, board)
    assert page.post("/api/record/1/stop", {}).json == {"asked": True}
    told = until(page, lambda told: not told["recordings"])
    assert [(end["run"], end["bad"], end["text"]) for end in told["ends"]] == [
        (1, False, "Run 1 is complete.")
    ]
    page.post(f"/api/record/told/{told['ends'][0]['key']}", {})
    assert state(page)["ends"] == []
    assert "is not being recorded" in page.post("/api/record/1/stop", {}).json["refused"]


def held_against_a_meter(page, board):
    board.step = "U-V"
    end = time.monotonic() + PATIENCE_S
    while "iu 1.0" not in meter(page, "1,01", "1.5 %"):
        assert time.monotonic() < end
        time.sleep(0.1)
    assert meter(page, "1,01", "1.5 %").startswith("They agree: iu 1.0")
    assert meter(page, "1.2 A", "1,5 %").startswith("They disagree: iu 1.0")
    assert meter(page, "1.2 V", "1 %").startswith("value: expected a value in A")
    assert meter(page, "1.2", "much").startswith("error: expected a limit of error")
    assert meter(page, "1.2", "1 %", "nine").startswith("channel: expected one of iu, iv, iw")
    told = page.get("/api/record/1/channels").json["channels"]
    assert told[0] == {"name": "iu", "unit": "A", "figure": "rms"}
    until(page, lambda told: any("They disagree" in n["text"] for n in told["recordings"][0]["notes"]))


def meter(page, value, error, channel="iu"):
    told = page.post("/api/record/1/meter", {"channel": channel, "value": value, "error": error}).json
    return told.get("text") or told["refused"]


@pytest.mark.slow
def test_another_page_finds_it_at_work_and_stops_it(web, board):
    port = board.port
    first = web(port)
    first.post("/api/record/start", {"bench": 0, "port": port, "name": ""})
    until(first, lambda told: told["recordings"])
    first.page.control.close()
    second = web(port)
    assert [row["run"] for row in state(second)["recordings"]] == [1]
    assert (
        "already" in second.post("/api/record/start", {"bench": 0, "port": port, "name": ""}).json["refused"]
    )
    second.post("/api/record/1/stop", {})
    assert until(second, lambda told: not told["recordings"])["ends"][0]["text"] == "Run 1 is complete."


@pytest.mark.slow
def test_a_recorder_that_dies_is_told_within_a_look_or_two(web, board):
    port = board.port
    page = web(port)
    page.post("/api/record/start", {"bench": 0, "port": port, "name": ""})
    until(page, lambda told: told["recordings"])
    (started,) = page.page.control.recorders._started
    started.process.kill()
    started.process.wait(10)
    (end,) = until(page, lambda told: told["ends"])["ends"]
    assert end["bad"] and end["run"] == 1
    assert end["text"] == (
        f"The recorder of run 1 on {port} died: this was its last sign. What it recorded until then is kept."
    )


@pytest.mark.slow
def test_why_a_recorder_did_not_start_is_said_in_its_own_words(web, tmp_path):
    page = web("socket://127.0.0.1:9", f"file:{tmp_path / 'missing.bin'}")
    page.post("/api/record/start", {"bench": 0, "port": f"file:{tmp_path / 'missing.bin'}", "name": ""})
    (end,) = until(page, lambda told: told["ends"])["ends"]
    assert end["bad"] and end["run"] is None
    assert "missing.bin" in end["text"]
    assert "Traceback" not in end["text"]


def test_a_bench_file_that_is_wrong_starts_nothing(web, bench, monkeypatch):
    bench.write_text(bench_text().replace('"5 mΩ"', '"5 mA"', 1), encoding="utf-8")
    listed(monkeypatch, "COM5")
    told = web().post("/api/record/start", {"bench": 0, "port": "COM5", "name": ""}).json
    assert 'channel "iu": shunt: expected a resistance' in told["refused"]


class TestStopping:
    """A recorder that does not hear: a signal where it is ours, words where it is not."""

    @pytest.fixture
    def deaf(self, tmp_path, bench, monkeypatch):
        monkeypatch.setattr("dashboard.recorders.STOP_PATIENCE_S", 0.0)
        monkeypatch.setattr(
            "dashboard.recorders.words",
            lambda *_: [sys.executable, "-c", "import time; print(1, flush=True); time.sleep(60)"],
        )
        return Recorders(tmp_path / "livesense.db")

    def test_ours_gets_a_signal_and_is_not_killed(self, deaf, bench, monkeypatch):
        from dashboard.benches import BenchFile

        asked = []
        monkeypatch.setattr("dashboard.recorders.end_politely", asked.append)
        deaf.start(BenchFile(0, bench), "COM5", "")
        (started,) = deaf._started
        at_work = [AtWork(7, "COM5", started.asked_wall_s, started.asked_wall_s)]
        deaf.look(at_work, lambda _: "recording")
        assert started.run == 7 and deaf.starting() == []
        assert deaf.stop_words(7) == ""
        deaf.stopping(7)
        deaf.look(at_work, lambda _: "recording")
        deaf.look(at_work, lambda _: "recording")
        assert asked == [started.process]
        assert "a signal asks it to end" in deaf.stop_words(7)
        started.process.kill()
        started.process.communicate()

    def test_one_that_is_just_ending_is_waited_for(self, tmp_path, bench, monkeypatch):
        from dashboard.benches import BenchFile

        waits = [sys.executable, "-c", "import sys; sys.stdin.read(); import time; time.sleep(0.5)"]
        monkeypatch.setattr("dashboard.recorders.words", lambda *_: waits)
        recorders, file = Recorders(tmp_path / "livesense.db"), BenchFile(0, bench)
        recorders.start(file, "COM5", "")
        (first,) = recorders._started
        recorders.look([AtWork(7, "COM5", first.asked_wall_s, 0.0)], lambda _: "recording")
        # The run is closed, the process is not gone yet.
        recorders.look([], lambda _: "complete")
        recorders.start(file, "COM5", "")
        assert first.process.returncode == 0
        (second,) = recorders._started
        second.process.communicate()

    def test_one_that_was_started_elsewhere_is_left_alone(self, deaf):
        deaf.look([AtWork(3, "COM6", 0.0, 0.0)], lambda _: "recording")
        deaf.stopping(3)
        assert "it was not started here" in deaf.stop_words(3)


def test_a_death_is_told_with_the_last_sign_and_not_with_when_it_was_noticed(tmp_path):
    recorders = Recorders(tmp_path / "livesense.db")
    sign_s = time.time() - 7200.0
    recorders.look([AtWork(4, "COM5", sign_s - 60.0, sign_s)], lambda _: "recording")
    recorders.look([], lambda _: "recovered")
    (end,) = recorders.ends()
    assert end.ended_wall_s == sign_s
    assert "this was its last sign" in end.text


@pytest.mark.slow
class TestCommands:
    def test_one_at_a_time_and_none_after_the_end(self):
        commands = Commands()
        assert commands.ask("ports", patience_s=30)["ports"] is not None
        commands._running["ports"] = None
        with pytest.raises(UsageError, match="is running already"):
            commands.ask("ports", patience_s=0.1)
        commands._running.clear()
        commands.close()
        with pytest.raises(UsageError):
            commands.ask("ports", patience_s=30)

    def test_two_windows_that_ask_at_once_are_both_answered(self):
        commands, answers = Commands(), []
        asking = [
            threading.Thread(target=lambda: answers.append(commands.ask("ports", patience_s=60)))
            for _ in range(2)
        ]
        for one in asking:
            one.start()
        for one in asking:
            one.join(60)
        assert len(answers) == 2 and answers[0] == answers[1]

    def test_what_fails_says_why(self):
        with pytest.raises(UsageError, match="gopher") as why:
            Commands().ask("identify", "--", "gopher://x", patience_s=30)
        assert not str(why.value).startswith("livesense")

    def test_the_last_line_is_what_was_said(self):
        assert said(b"warm\nlivesense: COM5: busy\n") == "COM5: busy"
        assert said(b"livesense record: unknown\n") == "unknown"
        assert said(b"") == ""

    def test_the_end_of_the_page_ends_what_answers_once(self, monkeypatch):
        commands = Commands()
        process = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
        commands._running["identify"] = process
        commands.close()
        assert process.wait(10) != 0


@pytest.mark.slow
def test_a_port_that_is_recorded_is_not_listened_to(web, board):
    port = board.port
    page = web(port)
    page.post("/api/record/start", {"bench": 0, "port": port, "name": ""})
    until(page, lambda told: told["recordings"])
    assert "stop that first" in page.post("/api/record/identify", {"port": port}).json["refused"]


def test_troubles_are_words():
    assert "gave no sign for 9 s" in record_data._trouble(True, True, 9.0)
    assert "port is gone" in record_data._trouble(True, True, 0.5)
    assert "No scan has come yet" in record_data._trouble(False, False, 0.5)
    assert record_data._trouble(False, True, 0.5) == ""


def test_the_screen_without_a_bench_file_says_how_to_name_one(web, tmp_path):
    said = web(benches=()).screen("/record")
    assert "livesense serve --bench pump.toml" in said
    assert str(tmp_path) not in web().screen("/record")
    assert Path("pump.toml").name in web().screen("/record")

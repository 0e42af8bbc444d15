"""``livesense listen`` as a user meets it: over files, sockets and pseudo-terminals, well and ill."""

from __future__ import annotations

import contextlib
import json
import os
import re
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group
from uart import resampled

Command = Callable[..., Any]
CHANNELS = ("iu", "iv", "iw")
needs_ptys = pytest.mark.skipif(os.name != "posix", reason="there are no pseudo-terminals here")


def frames(count: int = 40, broken: bool = True) -> bytes:
    sender = Sender(CHANNELS)
    packets = [description_frame([group(CHANNELS)]), *(sender.packet(10) for _ in range(count))]
    if broken:
        packets[20] = packets[20][:30] + b"\x55" + packets[20][31:]
    return b"".join(packets)


def objects(out: str) -> list[dict[str, Any]]:
    return [json.loads(text) for text in out.splitlines()]


@pytest.fixture
def damaged(tmp_path: Path) -> str:
    (tmp_path / "s.bin").write_bytes(frames())
    return "file:s.bin"


class TestFiles:
    def test_rows_in_words_then_the_sums_then_hints(self, livesense: Command, damaged: str) -> None:
        answer = livesense("listen", damaged)
        assert (answer.code, answer.err) == (0, "")
        lines = answer.out.splitlines()
        assert lines[:2] == ["Listening to file:s.bin", "By its bytes this is framed"]
        assert sum(" good " in line for line in lines[3:44]) == 39
        (wrong,) = [line for line in lines if " checksum wrong " in line and "|" in line]
        assert "02 53 " in wrong
        assert "41 frames: 39 good, 1 checksum wrong, 1 description" in lines
        assert "A recording would count: crc 1" in lines
        assert "390 scans, 10 lost in 1 gap" in lines
        assert "noise" in answer.out.split("Hints")[1]
        assert "\x1b" not in answer.out

    def test_json_is_one_object_a_row_and_a_summary(self, livesense: Command, damaged: str) -> None:
        answer = livesense("listen", damaged, "--json")
        *rows, summary = objects(answer.out)
        assert answer.code == 0
        assert [row["kind"] for row in rows] == ["row"] * 41
        assert [row["row"] for row in rows] == list(range(41))
        assert rows[1]["verdict"] == "good"
        assert rows[1]["hex"] is None
        assert len(rows[1]["first"]) == len(rows[1]["last"]) == 3
        assert (rows[1]["counter"], rows[1]["scans"], rows[2]["counter"]) == (0, 10, 10)
        assert (rows[20]["verdict"], rows[20]["counted"], rows[21]["lost"]) == ("crc", True, 10)
        stream = frames()
        assert bytes.fromhex(rows[20]["hex"]) == stream[rows[20]["offset"] :][: rows[20]["bytes"]]
        assert summary["kind"] == "summary"
        assert summary["verdicts"] == {"crc": 1, "description": 1, "good": 39}
        assert summary["faults"] == {"crc": 1}
        assert (summary["wire"], summary["wire_from"]) == ("framed", "found")
        assert (summary["scans"], summary["lost"], summary["gaps"]) == ({"0": 390}, 10, 1)
        assert (summary["ended"], summary["error"], summary["bytes"]) == ("closed", None, len(stream))
        assert [hint["key"] for hint in summary["hints"]] == ["noise"]

    def test_keys_are_those_of_the_docs(self, livesense: Command, damaged: str) -> None:
        docs = (Path(__file__).parents[2] / "docs" / "scripting.md").read_text(encoding="utf-8")
        part = docs.split("## `listen PORT`")[1].split("\n## ")[0]
        for told in objects(livesense("listen", damaged, "--json").out)[-2:]:
            for key in told:
                assert f'"{key}"' in part or f"`{key}`" in part, key

    def test_frames_ends_it(self, livesense: Command, damaged: str) -> None:
        *rows, summary = objects(livesense("listen", damaged, "--json", "--frames", 5).out)
        assert len(rows) == 5
        assert summary["ended"] == "frames"

    def test_nothing_good_is_a_failure(self, livesense: Command, tmp_path: Path) -> None:
        (tmp_path / "s.bin").write_bytes(description_frame([group(CHANNELS)]) * 5)
        answer = livesense("listen", "file:s.bin")
        assert answer.code == 1
        assert "sampling has not started" in " ".join(answer.out.split())

    def test_an_empty_file(self, livesense: Command, tmp_path: Path) -> None:
        (tmp_path / "s.bin").write_bytes(b"")
        answer = livesense("listen", "file:s.bin")
        assert answer.code == 1
        assert "The file is empty" in answer.out

    def test_a_bench_file_gives_port_and_wire(self, livesense: Command, tmp_path: Path) -> None:
        (tmp_path / "s.txt").write_bytes(b"".join(b"%d,%d,%d,%d\n" % (n, 1, 2, 3) for n in range(30)))
        (tmp_path / "pump.toml").write_text(
            bench_text("text", link='port = "file:s.txt"', groups='[[group]]\nrate = "1 kHz"'),
            encoding="utf-8",
        )
        answer = livesense("listen", "--bench", "pump.toml", "--json")
        assert answer.code == 1
        summary = objects(answer.out)[-1]
        assert (summary["wire"], summary["wire_from"]) == ("text", "bench")
        assert "4 fields, expected 3" in summary["hints"][0]["text"]

    def test_rows_of_a_pipe_fit_the_width_that_is_asked_for(
        self, livesense: Command, damaged: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("COLUMNS", "80")
        out = livesense("listen", damaged).out
        assert max(map(len, out.splitlines())) <= 80


class TestMistakes:
    @pytest.mark.parametrize(
        ("arguments", "said"),
        [
            ((), "expected PORT or --bench FILE"),
            (("http://x:1",), "expected a device name"),
            (("COM5", "--wire", "morse"), "invalid choice"),
            (("COM5", "--frames", "0"), "expected a whole number from 1 up"),
            (("COM5", "--baud", "fast"), "expected a rate such as 115200"),
            (("COM5", "--seconds", "soon"), "expected a time such as 10s"),
            (("--bench", "none.toml"), "none.toml"),
            (("COM5", "--bench", "pump.toml", "--wire", "text"), "got both"),
        ],
    )
    def test_wrong_use(self, livesense: Command, arguments: tuple[str, ...], said: str) -> None:
        answer = livesense("listen", *arguments)
        assert (answer.code, answer.out) == (2, "")
        assert said in answer.err

    def test_a_bench_file_without_port(self, livesense: Command, tmp_path: Path) -> None:
        (tmp_path / "pump.toml").write_text(bench_text(), encoding="utf-8")
        answer = livesense("listen", "--bench", "pump.toml")
        assert answer.code == 2
        assert "no port" in answer.err

    def test_a_missing_port(self, livesense: Command) -> None:
        answer = livesense("listen", "/dev/ttyNOSUCH7", "--seconds", "1")
        assert (answer.code, answer.out) == (1, "")
        assert "there is no such port" in answer.err
        assert "There is: " in answer.err or "The system lists no serial port at all" in answer.err

    def test_a_missing_port_in_json(self, livesense: Command) -> None:
        answer = livesense("listen", "/dev/ttyNOSUCH7", "--json")
        (summary,) = objects(answer.out)
        assert answer.code == 1
        assert (summary["ended"], summary["bytes"]) == ("error", 0)
        assert "there is no such port" in summary["error"]
        assert [hint["key"] for hint in summary["hints"]] == ["missing"]

    def test_nobody_listens(self, livesense: Command) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]
        answer = livesense("listen", f"socket://127.0.0.1:{port}")
        assert answer.code == 1
        assert "nothing listens" in answer.err
        assert "is the sender running" in " ".join(answer.err.split())

    def test_an_unknown_name(self, livesense: Command) -> None:
        answer = livesense("listen", "socket://no-such-board.invalid:5000")
        assert answer.code == 1
        assert "no computer of the name 'no-such-board.invalid' is known" in answer.err

    @pytest.mark.parametrize(
        ("error", "said", "hint"),
        [
            (PermissionError(13, "Permission denied"), "no permission", "permission"),
            (OSError(16, "Device or resource busy"), "another program holds it", "busy"),
            (OSError("Could not exclusively lock port: [Errno 11]"), "another program holds it", "busy"),
            (TimeoutError(110, "timed out"), "no answer", "no_answer"),
        ],
    )
    @pytest.mark.skipif(os.name == "nt", reason="Windows has other numbers for these")
    def test_a_port_that_refuses(
        self,
        livesense: Command,
        monkeypatch: pytest.MonkeyPatch,
        tmp_path: Path,
        error: OSError,
        said: str,
        hint: str,
    ) -> None:
        import serial

        def refuse(self: object) -> None:
            raise error

        monkeypatch.setattr(serial.Serial, "open", refuse)
        answer = livesense("listen", "/dev/null", "--json")
        (summary,) = objects(answer.out)
        assert answer.code == 1
        assert said in summary["error"]
        assert [one["key"] for one in summary["hints"]] == [hint]

    def test_nothing_is_written_to_the_port(self, livesense: Command) -> None:
        came = b""
        with socket.create_server(("127.0.0.1", 0)) as server:

            def serve() -> None:
                nonlocal came
                with server.accept()[0] as peer:
                    peer.sendall(frames())
                    peer.shutdown(socket.SHUT_WR)
                    came = peer.recv(100)

            serving = threading.Thread(target=serve)
            serving.start()
            answer = livesense("listen", f"socket://127.0.0.1:{server.getsockname()[1]}", "--until-closed")
            serving.join()
        assert answer.code == 0
        assert came == b""


@pytest.fixture
def pseudo_terminal() -> Iterator[tuple[int, str]]:
    """The board's end, and the name of the port."""
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    # Nobody reads any more once the command is over: a board would not wait either.
    os.set_blocking(ours, False)
    yield ours, os.ttyname(theirs)
    for end in (ours, theirs):
        with contextlib.suppress(OSError):
            os.close(end)


@needs_ptys
class TestPorts:
    def test_silence(self, livesense: Command, pseudo_terminal: tuple[int, str]) -> None:
        answer = livesense("listen", pseudo_terminal[1], "--seconds", "0.3", "--json")
        (summary,) = objects(answer.out)
        assert answer.code == 1
        assert (summary["bytes"], summary["ended"], summary["wire"]) == (0, "time", None)
        assert [hint["key"] for hint in summary["hints"]] == ["silence"]

    def test_a_port_that_another_program_holds(
        self, livesense: Command, pseudo_terminal: tuple[int, str]
    ) -> None:
        name = pseudo_terminal[1]
        code = (
            "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True); print(flush=True); input()"
        )
        holder = subprocess.Popen(
            [sys.executable, "-c", code, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        try:
            assert holder.stdout is not None
            holder.stdout.readline()
            answer = livesense("listen", name)
        finally:
            holder.communicate(b"\n", timeout=30)
        assert (answer.code, answer.out) == (1, "")
        assert "another program holds it" in answer.err
        if sys.platform == "linux":
            assert f"(process {holder.pid})" in " ".join(answer.err.split())

    def test_rates_and_times_of_what_comes(
        self, livesense: Command, pseudo_terminal: tuple[int, str]
    ) -> None:
        ours, name = pseudo_terminal
        sender = Sender(CHANNELS)
        over = threading.Event()

        def send() -> None:
            # Whoever opens a port drops what waited in it.
            while not over.wait(0.02):
                with contextlib.suppress(BlockingIOError):
                    os.write(ours, description_frame([group(CHANNELS)]) + sender.packet(10))

        sending = threading.Thread(target=send)
        sending.start()
        try:
            answer = livesense("listen", name, "--frames", "40", "--json")
        finally:
            over.set()
            sending.join()
        *rows, summary = objects(answer.out)
        assert answer.code == 0
        assert summary["bytes_per_s"] > 0
        assert summary["rows_per_s"] > 0
        assert summary["scans_per_s"] > 0
        times = [row["at_s"] for row in rows]
        assert times == sorted(times)

    @pytest.mark.parametrize(
        ("sent", "key", "said"),
        [
            (57600, "baud_too_high", "sent at 57600 Bd and heard at 115200"),
            (9600, "zeros", "far below 115200 Bd"),
        ],
    )
    @pytest.mark.slow
    def test_a_wrong_rate(
        self,
        livesense: Command,
        pseudo_terminal: tuple[int, str],
        monkeypatch: pytest.MonkeyPatch,
        sent: int,
        key: str,
        said: str,
    ) -> None:
        # A pseudo-terminal has no rate; here one stands for a port that has.
        monkeypatch.setattr("livesense.listening.is_pseudo_terminal", lambda _: False)
        ours, name = pseudo_terminal
        heard = resampled([frames(12, broken=False)], sent, 115200).data
        over = threading.Event()

        def send() -> None:
            while not over.wait(0.05):
                with contextlib.suppress(BlockingIOError):
                    os.write(ours, heard[:1500])

        sending = threading.Thread(target=send)
        sending.start()
        try:
            answer = livesense("listen", name, "--seconds", "2", "--json")
        finally:
            over.set()
            sending.join()
        summary = objects(answer.out)[-1]
        assert (answer.code, summary["baud"]) == (1, 115200)
        (hint,) = summary["hints"]
        assert hint["key"] == key
        assert said in hint["text"]

    def test_a_line_that_is_interrupted_is_joined_anew(self, livesense: Command) -> None:
        half = frames(20, broken=False)
        with socket.create_server(("127.0.0.1", 0)) as server:

            def serve() -> None:
                for piece in (half[:-30], half[25:]):
                    with server.accept()[0] as peer:
                        peer.sendall(piece)

            serving = threading.Thread(target=serve)
            serving.start()
            port = f"socket://127.0.0.1:{server.getsockname()[1]}"
            answer = livesense("listen", port, "--frames", "41", "--seconds", "60", "--json")
            serving.join()
        *rows, summary = objects(answer.out)
        assert summary["vanished"] >= 1
        assert summary["faults"] == {}
        assert any(row["kind"] == "link" and "closed the connection" in row["text"] for row in rows)
        assert "vanished" in [hint["key"] for hint in summary["hints"]]


PLAYED = """
import os, pty, sys, time
columns, *command = sys.argv[1:]
child, ours = pty.fork()
if child == 0:
    os.execv(command[0], command)
import fcntl, struct, termios
fcntl.ioctl(ours, termios.TIOCSWINSZ, struct.pack("HHHH", 40, int(columns), 0, 0))
while True:
    try:
        data = os.read(ours, 65536)
    except OSError:
        break
    if not data:
        break
    os.write(1, data)
sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""


@needs_ptys
class TestTerminal:
    """What a person sees: the command in a real terminal."""

    def play(self, columns: int, *arguments: str, **environment: str) -> str:
        command = [sys.executable, "-m", "livesense.cli.main", "listen", *arguments]
        played = subprocess.run(
            [sys.executable, "-c", PLAYED, str(columns), *command],
            capture_output=True,
            env=os.environ | {"TERM": "xterm", "COLUMNS": str(columns)} | environment,
            timeout=120,
        )
        return played.stdout.decode().replace("\r\n", "\n")

    @pytest.fixture
    def many(self, tmp_path: Path) -> str:
        (tmp_path / "many.bin").write_bytes(frames(3000))
        return f"file:{tmp_path / 'many.bin'}"

    @pytest.mark.parametrize("columns", [80, 140])
    def test_a_readable_amount_that_fits(self, many: str, columns: int) -> None:
        shown = self.play(columns, many)
        plain = re.sub(r"\x1b\[\d+m", "", shown)
        assert "\x1b[31mchecksum wrong\x1b[0m" in shown
        assert max(map(len, plain.splitlines()[1:])) < columns
        assert len(plain.splitlines()) < 300
        assert re.search(r"not shown: \d+ good", plain)
        assert "rows were not shown here; --json, or a pipe, gives all" in " ".join(plain.split())

    def test_no_colours_where_they_are_not_wanted(self, many: str) -> None:
        shown = self.play(80, many, NO_COLOR="1")
        assert "\x1b" not in shown
        assert " checksum wrong " in shown

    @pytest.mark.slow
    def test_silence_gets_its_hint_before_the_end(self, pseudo_terminal: tuple[int, str]) -> None:
        shown = self.play(80, pseudo_terminal[1], "--seconds", "4")
        assert shown.index("So far") < shown.index("Nothing came") < shown.index("Hints")


def test_ctrl_c_sums_up(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"
        process = subprocess.Popen(
            [sys.executable, "-m", "livesense.cli.main", "listen", port, "--json"], stdout=subprocess.PIPE
        )
        with server.accept()[0] as peer:
            peer.sendall(frames())
            assert process.stdout is not None
            for _ in range(41):
                process.stdout.readline()
            process.terminate()
            rest, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    summary = json.loads(rest.splitlines()[-1])
    assert (summary["ended"], summary["verdicts"]["good"]) == ("asked", 39)


def test_help_starts_without_what_only_listening_needs() -> None:
    code = (
        "import sys; from livesense.cli.main import main\n"
        "try: main(['listen', '--help'])\nexcept SystemExit: pass\n"
        "print([name for name in ('numpy', 'serial', 'livesense.listen') if name in sys.modules])"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.splitlines()[-1] == "[]"

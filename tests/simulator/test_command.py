"""The simulator as a command: exit codes, messages, ending, and the stream it paces."""

import os
import signal
import socket
import subprocess
import sys
import threading

import pytest

from livesense.errors import UsageError
from simulator.main import BENCH, main, parse_duration, run


def test_writes_a_file_and_says_so(tmp_path, capsys):
    out, truth = tmp_path / "s.bin", tmp_path / "t.jsonl"
    assert main([f"--outlet=file:{out}", "--speed=max", "--duration=0.5s", f"--truth={truth}"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines == [f"bring-up on file:{out}", "sent 10000 scans, 0.5 s"]
    assert out.stat().st_size > 100_000
    assert truth.read_text().splitlines()[-1].startswith('{"kind": "end", "scans": 10000')


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"outlet": "com:3"}, "outlet: expected tcp:PORT, pty or file:PATH"),
        ({"scenario": "lunch"}, "scenario: expected one of bring-up, bursts, "),
        ({"wire": "morse"}, "wire: expected one of framed, text, got 'morse'"),
        ({"speed": "warp"}, "speed: expected one of max, real"),
        ({"drive": "v8"}, "drive: expected one of field-oriented, six-step"),
        ({"duration": "soon"}, "duration: expected a time such as 30s, 10m or 2h, got 'soon'"),
        ({"rate_hz": 3}, "rate: expected one of 1000,"),
        ({"off_valley_us": 99.0}, "off-valley: expected -25 to 25"),
        ({"seed": -1}, "seed: expected a whole number"),
        ({"link_faults": ["drop=7"]}, "link fault: expected drop"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_wrong_use_is_one_line_and_code_2(options, message, capsys, tmp_path):
    assert run(**{"outlet": f"file:{tmp_path / 'x'}", "speed": "max", "duration": 0.1} | options) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("livesense: " + message)
    assert captured.err.count("\n") == 1


def test_truth_that_cannot_be_written_is_code_2(tmp_path, capsys):
    code = run(outlet=f"file:{tmp_path / 'x'}", speed="max", truth=tmp_path / "no" / "t", duration=0.1)
    assert code == 2
    assert "truth file" in capsys.readouterr().err


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_full_disk_is_one_line_and_code_1(capsys):
    assert run(outlet="file:/dev/full", speed="max", duration=1.0) == 1
    error = capsys.readouterr().err
    assert error.startswith("livesense: simulator: cannot write: ")
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("30", 30.0), ("30s", 30.0), ("1.5m", 90.0), ("2h", 7200.0), ("1d", 86400.0), (4, 4.0)],
)
def test_durations(text, seconds):
    assert parse_duration(text) == seconds


@pytest.mark.parametrize("text", ["", "s", "0", "-3s", "inf", "nan", "3 weeks", "1e999"])
def test_wrong_durations(text):
    with pytest.raises(UsageError, match="duration: expected"):
        parse_duration(text)


def test_no_duration_is_none():
    assert parse_duration(None) is None


def test_bench_file_is_there():
    assert BENCH.is_file()


class Background:
    """The simulator in a thread, with what it announced."""

    def __init__(self, **options):
        self.stop = threading.Event()
        self.lines = []
        self.code = None
        self._announced = threading.Event()
        self._thread = threading.Thread(target=self._run, kwargs=options)
        self._thread.start()

    def _run(self, **options):
        self.code = run(stop=self.stop, announce=self._announce, **options)
        self._announced.set()

    def _announce(self, line):
        self.lines.append(line)
        self._announced.set()

    def wait(self):
        assert self._announced.wait(10)

    def connect(self):
        self.wait()
        host, port = self.lines[0].split()[-1].removeprefix("socket://").split(":")
        return socket.create_connection((host, int(port)), timeout=20)

    def join(self):
        self._thread.join(20)
        assert not self._thread.is_alive()


def read_all(client):
    data = b""
    while piece := client.recv(65536):
        data += piece
    return data


def test_real_time_stream_is_the_same_bytes_as_at_full_speed(tmp_path):
    background = Background(duration=0.8, seed=3)
    with background.connect() as client:
        paced = read_all(client)
    background.join()
    assert background.code == 0
    assert run(outlet=f"file:{tmp_path / 'x'}", speed="max", duration=0.8, seed=3) == 0
    assert paced == (tmp_path / "x").read_bytes()


def test_device_boots_when_the_first_receiver_comes():
    background = Background(duration=0.2, wire="text", speed="max")
    with background.connect() as client:
        lines = read_all(client).decode().splitlines()
    background.join()
    assert lines[0].startswith("n,iu,")
    assert next(line for line in lines if line[0].isdigit()).startswith("0,")


def test_real_time_goes_on_until_told_to_stop():
    background = Background()
    with background.connect() as client:
        assert client.recv(1000)
        background.stop.set()
        read_all(client)
    background.join()
    assert background.code == 0
    assert background.lines[-1].startswith("sent ")


def test_stopping_before_anybody_connects():
    background = Background()
    background.wait()
    background.stop.set()
    background.join()
    assert background.code == 0


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_end_it_cleanly(number, tmp_path):
    truth = tmp_path / "t.jsonl"
    process = subprocess.Popen(
        [sys.executable, "-m", "simulator", "--truth", str(truth)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    host, port = process.stdout.readline().split()[-1].removeprefix("socket://").split(":")
    with socket.create_connection((host, int(port)), timeout=20) as client:
        assert client.recv(1000)
        process.send_signal(number)
        read_all(client)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 0
    assert err == ""
    assert out.startswith("sent ")
    assert '"kind": "end"' in truth.read_text().splitlines()[-1]

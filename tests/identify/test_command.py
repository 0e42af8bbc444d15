"""``livesense identify``: over files, sockets and terminals; and that what it prints can be recorded."""

from __future__ import annotations

import os
import socket
import threading
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pump_streams import frames, lines
from record_streams import make

from livesense.link.address import parse_address
from livesense.link.sources import NOTHING_SENT, SerialSource, open_source
from livesense.probe import LIKELY_BAUDS, Heard, probe_rate

Command = Callable[..., Any]


def stored(livesense: Command, tmp_path: Path, stream: bytes) -> list[dict[str, str]]:
    """Identify a file, record it with the bench file that comes out (the rate stated), export the codes."""
    (tmp_path / "s.bin").write_bytes(stream)
    found = livesense("identify", "file:s.bin", "--out", "found.toml", "--json")
    assert found.code == 0, found.out + found.err
    text = (tmp_path / "found.toml").read_text(encoding="utf-8")
    assert text == found.json["bench"]
    (tmp_path / "found.toml").write_text(
        text.replace('# rate = "20 kHz"', 'rate = "20 kHz"'), encoding="utf-8"
    )
    answer = livesense("record", "found.toml", "--port", "file:s.bin", "--until-closed", "--quiet")
    assert answer.code == 0, answer.err
    assert livesense("export", "last", "--codes", "--out", "codes.csv").code == 0
    names, *rows = (tmp_path / "codes.csv").read_text(encoding="utf-8").splitlines()
    return [dict(zip(names.split(","), row.split(","), strict=True)) for row in rows]


class TestWhatIsFoundCanBeRecorded:
    def test_framed(self, livesense, tmp_path):
        rows = stored(livesense, tmp_path, frames(scans=320))
        assert len(rows) == 320
        assert list(rows[0]) == ["scan", "time_s", "iu_code", "iv_code", "iw_code", "vbus_code"]

    def test_text(self, livesense, tmp_path):
        rows = stored(livesense, tmp_path, lines("{n8};{a};{b};{c}", n=300))
        assert [row["scan"] for row in rows] == [str(n) for n in range(300)]
        first = lines("{a},{b},{c}").decode().splitlines()[0].split(",")
        assert [rows[0][f"a{k}_code"] for k in (1, 2, 3)] == first

    @pytest.mark.parametrize("seed", [1, 2, 3, 4, 6, 8])
    def test_records(self, livesense, tmp_path, seed):
        data, sent = make(seed)
        rows = stored(livesense, tmp_path, data)
        assert len(rows) > 0.9 * (len(data) // sent.length - 1) * sent.scans
        assert len(rows[0]) == 2 + sent.channels


class TestPorts:
    def test_a_socket_tells_the_rate(self, livesense):
        with socket.create_server(("127.0.0.1", 0)) as server:
            serving = threading.Thread(target=_serve, args=(server,))
            serving.start()
            answer = livesense("identify", f"socket://127.0.0.1:{server.getsockname()[1]}", "--json")
            serving.join()
        assert answer.code == 0, answer.err
        assert (answer.json["wire"], answer.json["baud"]) == ("framed", None)
        assert any("scans/s came" in text for text in answer.json["evidence"])

    @pytest.mark.skipif(os.name != "posix", reason="there are no pseudo-terminals here")
    def test_a_terminal_is_taken_as_it_is(self, livesense):
        ours, theirs = os.openpty()
        try:
            name = os.ttyname(theirs)
            writer = threading.Timer(0.3, lambda: os.write(ours, lines("{a},{b},{c}", n=100)))
            writer.start()
            answer = livesense("identify", name, "--seconds", "1", "--json")
            writer.join()
        finally:
            os.close(ours)
            os.close(theirs)
        assert (answer.json["wire"], answer.json["baud"]) == ("text", None)
        assert tomllib.loads(answer.json["bench"])["link"]["port"] == name

    @pytest.mark.skipif(os.name != "posix", reason="there are no pseudo-terminals here")
    def test_the_rate_changes_without_opening_anew(self):
        ours, theirs = os.openpty()
        try:
            source = open_source(parse_address(os.ttyname(theirs)), 115200, NOTHING_SENT)
            assert isinstance(source, SerialSource)
            before = source._port.fileno()
            os.write(ours, b"what came before")
            source.set_baud(9600)
            assert (source._port.fileno(), source._port.baudrate) == (before, 9600)
            os.write(ours, b"after")
            assert source.read() == b"after"
            source.close()
        finally:
            os.close(ours)
            os.close(theirs)


def _serve(server: socket.socket) -> None:
    """Send a stream in two halves with a pause between: a busy computer can tell a rate from it, too."""
    with server.accept()[0] as peer:
        stream = frames(scans=1600)
        peer.sendall(stream[: len(stream) // 2])
        time.sleep(0.5)
        peer.sendall(stream[len(stream) // 2 :])


class FakePort:
    """A port at which one rate alone gives what was sent; at others bytes are noise."""

    has_baud = True

    def __init__(self, right: int, stream: bytes) -> None:
        self.right, self.stream = right, stream
        self.rates: list[int] = []

    def set_baud(self, baud: int) -> None:
        self.rates.append(baud)

    def listen(self, seconds: float) -> Heard:
        noise = np.random.default_rng(self.rates[-1]).integers(0, 256, 8000, dtype=np.uint8).tobytes()
        data = self.stream if self.rates[-1] == self.right else noise
        return Heard(data, seconds, self.rates[-1], False)

    def __enter__(self) -> FakePort:
        return self

    def __exit__(self, *_: object) -> None:
        pass


class TestRates:
    @pytest.fixture
    def port(self, monkeypatch):
        def make_port(right: int, stream: bytes) -> FakePort:
            port = FakePort(right, stream)
            monkeypatch.setattr("livesense.probe.Probe", lambda address, baud: port)
            return port

        return make_port

    def test_likely_rates_are_tried_until_one_makes_sense(self, livesense, port):
        fake = port(2_000_000, frames())
        answer = livesense("identify", "COM5", "--json")
        assert answer.json["baud"] == 2_000_000
        assert tomllib.loads(answer.json["bench"])["link"] == {
            "wire": "framed",
            "port": "COM5",
            "baud": 2_000_000,
        }
        tried = LIKELY_BAUDS[: LIKELY_BAUDS.index(2_000_000) + 1]
        # And once more, for longer, at the rate that was found.
        assert fake.rates == [*tried, 2_000_000]

    def test_a_given_rate_is_the_only_one(self, livesense, port):
        fake = port(115200, lines("{a},{b},{c}"))
        assert livesense("identify", "COM5", "--baud", "9600").code == 1
        assert fake.rates == [9600]

    @pytest.mark.slow
    def test_no_rate_makes_sense(self, livesense, port):
        fake = port(1234, frames())
        answer = livesense("identify", "COM5", "--json")
        assert answer.code == 1
        assert (answer.json["wire"], answer.json["bench"]) == (None, "")
        assert fake.rates == list(LIKELY_BAUDS)
        assert answer.json["evidence"]

    def test_it_says_what_it_does_while_one_waits(self, livesense, port):
        port(921600, frames())
        answer = livesense("identify", "COM5")
        assert "Listening at 115200 Bd" in answer.err
        assert "framed: frames with a description at 921600 Bd, 5 channels" in answer.out


class TestMistakes:
    @pytest.mark.slow
    def test_nothing_that_is_known(self, livesense, tmp_path):
        (tmp_path / "zeros.bin").write_bytes(bytes(4000))
        answer = livesense("identify", "file:zeros.bin")
        assert answer.code == 1
        assert answer.out.startswith("Nothing that livesense knows came over this line.")
        assert not answer.err

    def test_too_little(self, livesense, tmp_path):
        (tmp_path / "short.bin").write_bytes(b"1,2\n")
        answer = livesense("identify", "file:short.bin", "--json")
        assert answer.code == 1
        assert answer.json["evidence"] == ["only 4 bytes came: too few to tell anything"]

    def test_a_file_that_is_there_is_kept(self, livesense, tmp_path):
        (tmp_path / "pump.toml").write_text("precious", encoding="utf-8")
        (tmp_path / "s.bin").write_bytes(frames())
        answer = livesense("identify", "file:s.bin", "--out", "pump.toml")
        assert answer.code == 2
        assert "pump.toml is there already; choose another name" in answer.err
        assert (tmp_path / "pump.toml").read_text(encoding="utf-8") == "precious"

    @pytest.mark.parametrize(
        ("options", "said"),
        [
            (["file:missing.bin"], "missing.bin"),
            (["nothing://here"], "nothing"),
            (["file:s.bin", "--baud", "fast"], "expected a rate such as 115200"),
            (["file:s.bin", "--seconds", "soon"], "expected a time such as 10s"),
        ],
    )
    def test_wrong_use_is_said_in_one_line(self, livesense, options, said):
        answer = livesense("identify", *options)
        assert answer.code in (1, 2)
        assert said in answer.err
        assert "Traceback" not in answer.err
        assert not answer.out

    def test_bytes_of_the_device_reach_no_terminal_unescaped(self, livesense, tmp_path):
        (tmp_path / "s.bin").write_bytes(lines("{a},{b},{c}", header="iu,i\x1b[31mv,iw"))
        answer = livesense("identify", "file:s.bin")
        assert "\x1b" not in answer.out


class TestRate:
    """Bytes per second of what came, by when."""

    def test_a_backlog_in_front_does_not_count(self) -> None:
        backlog = [(0.001 * k, 4096 * (k + 1)) for k in range(5)]
        steady = [(0.02 * k, backlog[-1][1] + round(0.02 * k * 10_000)) for k in range(1, 150)]
        assert probe_rate([*backlog, *steady]) == pytest.approx(10_000, rel=1e-3)

    def test_bursts_do_not_either(self) -> None:
        bursts = [(0.1 * k + 0.001 * j, 1000 * k + 250 * j) for k in range(30) for j in range(1, 5)]
        assert probe_rate(bursts) == pytest.approx(10_000, rel=0.01)

    def test_too_little_tells_nothing(self) -> None:
        assert probe_rate([]) is None
        assert probe_rate([(1.0, 100)]) is None
        assert probe_rate([(1.0, 100), (1.5, 600)]) == pytest.approx(1000)

"""Live recordings by the real command in a process of its own: TCP, pty, signals, kills, outages."""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group

RECORD = [sys.executable, "-m", "livesense.cli.main", "record"]


def start(folder: Path, port: str, *options: str, bench: str | None = None) -> subprocess.Popen[str]:
    (folder / "pump.toml").write_text(bench or bench_text(), encoding="utf-8")
    return subprocess.Popen(
        [*RECORD, "pump.toml", "--port", port, "--json", *options],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


def finish(process: subprocess.Popen[str]) -> dict[str, Any]:
    out, err = process.communicate(timeout=60)
    assert out, err
    facts = json.loads(out)
    assert isinstance(facts, dict)
    return facts


@pytest.fixture
def server() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(30)
        yield listening


def address(server: socket.socket) -> str:
    return f"socket://127.0.0.1:{server.getsockname()[1]}"


def stream(sender: Sender, packets: int, per_packet: int = 100) -> bytes:
    return b"".join(sender.packet(per_packet) for _ in range(packets))


def wait_for(condition: Callable[[], bool], what: str, limit_s: float = 30.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {limit_s} s for {what}")
        time.sleep(0.02)


def test_stream_over_tcp_is_stored_whole(tmp_path: Path, server: socket.socket) -> None:
    process = start(tmp_path, address(server), "--until-closed")
    sender = Sender()
    with server.accept()[0] as peer:
        peer.sendall(description_frame([group(sender.channels)]) + stream(sender, 50))
    summary = finish(process)
    assert process.returncode == 0
    assert summary["ended"] == "closed"
    assert summary["groups"][0]["scans_stored"] == 5000
    assert summary["groups"][0]["scans_lost"] == 0


@pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.slow
def test_signal_ends_it_cleanly_with_everything_kept(
    tmp_path: Path, server: socket.socket, number: signal.Signals
) -> None:
    process = start(tmp_path, address(server))
    sender = Sender()
    with server.accept()[0] as peer:
        peer.sendall(description_frame([group(sender.channels)]) + stream(sender, 20))
        wait_for(lambda: stored(tmp_path) > 0, "the first commit")
        process.send_signal(number)
        summary = finish(process)
    assert process.returncode == 0
    assert summary["ended"] == "asked"
    assert summary["groups"][0]["scans_stored"] == 2000


def test_outage_is_a_gap_with_its_cause_and_the_run_goes_on(
    tmp_path: Path, server: socket.socket, livesense: Callable[..., Any]
) -> None:
    process = start(tmp_path, address(server), "--for", "2s")
    sender = Sender()
    hello = description_frame([group(sender.channels)])
    with server.accept()[0] as peer:
        peer.sendall(hello + stream(sender, 10))
    sender.skip(500)
    with server.accept()[0] as peer:
        peer.sendall(hello + stream(sender, 10))
        summary = finish(process)
    assert summary["ended"] == "time"
    assert summary["restarts"] == 0
    assert summary["groups"][0]["scans_stored"] == 2000
    assert summary["groups"][0]["scans_lost"] == 500
    facts = livesense("show", "last", "--json", "--logbook", tmp_path / "livesense.db").json
    assert facts["gaps"] == [{"group": 0, "first": 1000, "count": 500, "cause": "outage"}]
    (outage,) = facts["outages"]
    assert (outage["scans_lost"], outage["uncounted"]) == (500, None)
    assert outage["text"] == f"away {outage['seconds']:.1f} s, 500 scans lost"
    assert summary["away"]["scans_lost"] == facts["away"]["scans_lost"] == 500


@pytest.mark.slow
def test_outage_with_a_restart_says_that_nobody_can_count_the_loss(
    tmp_path: Path, server: socket.socket, livesense: Callable[..., Any]
) -> None:
    process = start(tmp_path, address(server), "--for", "2s")
    sender = Sender()
    with server.accept()[0] as peer:
        peer.sendall(description_frame([group(sender.channels)], boot=1) + stream(sender, 10))
    sender.counter = 0
    with server.accept()[0] as peer:
        peer.sendall(description_frame([group(sender.channels)], boot=2) + stream(sender, 10))
        summary = finish(process)
    assert summary["groups"][0]["scans_stored"] == 2000
    assert (summary["gaps"], summary["restarts"]) == (0, 1)
    facts = livesense("show", "last", "--json", "--logbook", tmp_path / "livesense.db").json
    (outage,) = facts["outages"]
    assert (outage["scans_lost"], outage["uncounted"]) == (None, "restart")
    said = f"away {outage['seconds']:.1f} s, loss cannot be counted (the device restarted)"
    (row,) = livesense("runs", "--json", "--logbook", tmp_path / "livesense.db").json["runs"]
    assert said == outage["text"] == facts["away"]["text"] == row["away"]["text"] == summary["away"]["text"]


@pytest.mark.parametrize("slow_first", [False, True])
def test_groups_of_a_device_that_just_began_all_begin_at_0(
    tmp_path: Path, server: socket.socket, livesense: Callable[..., Any], slow_first: bool
) -> None:
    process = start(tmp_path, address(server), "--until-closed")
    fast, slow = Sender(), Sender(("t_sink",), number=1)
    hello = description_frame([group(fast.channels), group(slow.channels, rate_hz=50)])
    with server.accept()[0] as peer:
        # One read or two: by their arrival the groups would begin at different times in one of them.
        # Nothing waits here, since a group that really came a tenth of a second later did begin later.
        peer.sendall(hello + (slow.packet(1) if slow_first else fast.packet(100)))
        peer.sendall(fast.packet(100) + slow.packet(1) + fast.packet(100))
    finish(process)
    facts = livesense("show", "last", "--json", "--logbook", tmp_path / "livesense.db").json
    assert [(s["group"], s["first"], s["start_s"]) for s in facts["segments"]] == [(0, 0, 0.0), (1, 0, 0.0)]


def test_port_that_cannot_be_opened_is_an_error_without_a_run(tmp_path: Path) -> None:
    process = start(tmp_path, "/dev/there-is-no-such-port")
    out, err = process.communicate(timeout=60)
    assert process.returncode == 1
    facts = json.loads(out)
    assert (facts["run"], facts["ended"]) == (None, "error")
    assert "there is no such port" in err
    assert "Traceback" not in err


def stored(folder: Path) -> int:
    """Committed tail rows and blocks; 0 while there is no logbook yet."""
    path = folder / "livesense.db"
    if not path.exists():
        return 0
    try:
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as connection:
            return int(
                connection.execute(
                    "SELECT (SELECT count(*) FROM tail) + (SELECT count(*) FROM block)"
                ).fetchone()[0]
            )
    except sqlite3.OperationalError:
        return 0


def paced(peer: socket.socket, sender: Sender, ready: list[bytes], until: Callable[[], bool]) -> float:
    """Send prepared packets at 20 kS/s until told otherwise; returns when the last one was sent."""
    begun_s = time.monotonic()
    last_s = begun_s
    for number, packet in enumerate(ready):
        due_s = begun_s + number * 0.005
        while (now_s := time.monotonic()) < due_s:
            time.sleep(max(0.0, min(0.002, due_s - now_s)))
        if until():
            break
        try:
            peer.sendall(packet)
        except OSError:
            break
        last_s = time.monotonic()
    return last_s


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
@pytest.mark.parametrize("round_", range(2))
@pytest.mark.slow
def test_killed_recorder_leaves_a_sound_logbook_at_once(
    tmp_path: Path, server: socket.socket, livesense: Callable[..., Any], round_: int
) -> None:
    process = start(tmp_path, address(server))
    sender = Sender()
    hello = description_frame([group(sender.channels)])
    ready = [sender.packet(100) for _ in range(600)]
    kill_after_s = random.Random(round_).uniform(1.0, 2.0)
    with server.accept()[0] as peer:
        peer.sendall(hello)
        begun_s = time.monotonic()
        paced(peer, sender, ready, lambda: time.monotonic() - begun_s > kill_after_s)
        process.kill()
        process.communicate(timeout=30)
    logbook = tmp_path / "livesense.db"
    (row,) = livesense("runs", "--json", "--logbook", logbook).json["runs"]
    assert row["state"] == "recovered"
    with sqlite3.connect(logbook) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    answer = livesense(
        "export", "last", "--codes", "--json", "--logbook", logbook, "--out", tmp_path / "out.csv"
    )
    assert answer.code == 0, answer.err
    lines = (tmp_path / "out.csv").read_text().splitlines()[1:]
    codes = [tuple(map(int, line.split(",")[2:])) for line in lines]
    assert codes
    assert codes == sender.made[: len(codes)]


@pytest.mark.skipif(os.name != "posix", reason="a pty is a POSIX thing")
def test_stream_over_a_pty_as_fast_as_it_goes_loses_nothing(tmp_path: Path) -> None:
    import pty
    import tty

    controller, terminal = pty.openpty()
    tty.setraw(terminal)
    process = start(tmp_path, os.ttyname(terminal), "--for", "3s")
    sender = Sender()
    data = description_frame([group(sender.channels)]) + stream(sender, 400)
    wait_for(lambda: (tmp_path / "livesense.db").exists(), "the recorder to open the port")
    wait_for(lambda: runs_begun(tmp_path) > 0, "the run")
    view = memoryview(data)
    while view:
        view = view[os.write(controller, view[:4096]) :]
    summary = finish(process)
    os.close(terminal)
    os.close(controller)
    assert summary["faults"] == {}
    assert summary["groups"][0]["scans_stored"] == 40_000
    assert summary["groups"][0]["scans_lost"] == 0


def runs_begun(folder: Path) -> int:
    try:
        with sqlite3.connect(f"file:{folder / 'livesense.db'}?mode=ro", uri=True) as connection:
            return int(connection.execute("SELECT count(*) FROM run").fetchone()[0])
    except sqlite3.OperationalError:
        return 0


@pytest.mark.slow
def test_two_recorders_share_one_logbook(tmp_path: Path, livesense: Callable[..., Any]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as one, socket.create_server(("127.0.0.1", 0)) as two:
        one.settimeout(30)
        two.settimeout(30)
        processes = [start(tmp_path, address(server), "--until-closed") for server in (one, two)]
        senders = [Sender(seed=1), Sender(seed=2)]
        with one.accept()[0] as first, two.accept()[0] as second:
            for peer, sender in zip((first, second), senders, strict=True):
                peer.sendall(description_frame([group(sender.channels)]))
            for _ in range(30):
                for peer, sender in zip((first, second), senders, strict=True):
                    peer.sendall(sender.packet(100))
                time.sleep(0.02)
    summaries = [finish(process) for process in processes]
    assert sorted(summary["run"] for summary in summaries) == [1, 2]
    assert [summary["groups"][0]["scans_stored"] for summary in summaries] == [3000, 3000]
    rows = livesense("runs", "--json", "--logbook", tmp_path / "livesense.db").json["runs"]
    assert [row["state"] for row in rows] == ["complete", "complete"]

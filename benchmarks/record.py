"""What recording costs: ``python benchmarks/record.py [--seconds 10] [--json FILE]``.

Two figures, each beside something to hold it against in the same run:

1. share of one core at 20 kS/s x 4 channels over TCP, and scans lost (the aim is under 15 % and 0);
2. bytes a second from a pty into the logbook, as fast as the pty gives, over merely draining that pty.

POSIX only: it needs ptys and the children's CPU time.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import resource
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path
from typing import Any

from pump import BENCH, CHANNELS, PER_PACKET, RATE_HZ, codes, description

from livesense.logbook.reader import Logbook
from livesense.samples import CodeType
from livesense.wire.encode import frames


def recorder(folder: Path, port: str, *options: str) -> subprocess.Popen[str]:
    (folder / "bench.toml").write_text(BENCH, encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "livesense.cli.main",
        "record",
        "bench.toml",
        "--port",
        port,
        "--json",
        *options,
    ]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)


def children_cpu_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def at_rate(seconds: float, rate_hz: int = RATE_HZ) -> dict[str, Any]:
    """So many scans a second x 4 over TCP, paced; bytes a second are eight times that and the frames."""
    sent = codes(int(rate_hz * seconds), rate_hz)
    # A hundredth of a second at once, as a device's buffer gives it.
    each = max(PER_PACKET * 5, rate_hz // 100)
    per_packet = PER_PACKET if rate_hz <= RATE_HZ else 120
    pieces = [
        frames(0, at, sent[at : at + each], per_packet, CodeType.U16) for at in range(0, len(sent), each)
    ]
    with tempfile.TemporaryDirectory() as folder, socket.create_server(("127.0.0.1", 0)) as server:
        before_s = children_cpu_s()
        process = recorder(Path(folder), f"socket://127.0.0.1:{server.getsockname()[1]}", "--until-closed")
        with server.accept()[0] as peer:
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            peer.sendall(description(rate_hz))
            begun_s = time.monotonic()
            for number, piece in enumerate(pieces):
                time.sleep(max(0.0, begun_s + number * each / rate_hz - time.monotonic()))
                peer.sendall(piece)
            spent_s = time.monotonic() - begun_s
        out, _ = process.communicate()
        summary = json.loads(out)
        size = sum(file.stat().st_size for file in Path(folder).glob("livesense.db*"))
        start_s = start_up_cpu_s(Path(folder))
    cpu_s = children_cpu_s() - before_s - 2 * start_s
    return {
        "share_of_core_percent": 100 * cpu_s / spent_s,
        "megabytes_per_s": sum(map(len, pieces)) / spent_s / 1e6,
        "scans_stored": summary["groups"][0]["scans_stored"],
        "scans_lost": summary["groups"][0]["scans_lost"],
        "bytes_per_sample": size / (len(sent) * len(CHANNELS)),
    }


def start_up_cpu_s(folder: Path) -> float:
    """CPU time of a recording of nothing: start-up is not what recording costs."""
    (folder / "empty.bin").write_bytes(description())
    before_s = children_cpu_s()
    recorder(folder, f"file:{folder / 'empty.bin'}", "--logbook", "empty.db").communicate()
    return children_cpu_s() - before_s


def write_all(descriptor: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view[:65536]) :]


def bare_drain(data: bytes) -> float:
    """Bytes a second when a pty is only read."""
    controller, terminal = pty.openpty()
    tty.setraw(terminal)
    writer = threading.Thread(target=write_all, args=(controller, data))
    begun_s = time.monotonic()
    writer.start()
    left = len(data)
    while left:
        left -= len(os.read(terminal, 65536))
    spent_s = time.monotonic() - begun_s
    writer.join()
    os.close(controller)
    os.close(terminal)
    return len(data) / spent_s


def full_speed(megabytes: int, rate_hz: int = RATE_HZ, rounds: int = 3) -> dict[str, Any]:
    """From a pty as fast as it gives, beside draining it; the best of some rounds of both, turn by turn.

    What a second of data costs (cycles, trends) and what a byte costs add up: the rate that the device
    states, which is far below that at which its bytes come here, tells how many seconds there are.
    """
    found = [one_full_speed(megabytes, rate_hz) for _ in range(rounds)]
    best = max(found, key=lambda one: one["megabytes_per_s"])
    drained = max(one["bare_drain_megabytes_per_s"] for one in found)
    return best | {
        "bare_drain_megabytes_per_s": drained,
        "ratio": best["megabytes_per_s"] / drained,
        "scans_lost": sum(one["scans_lost"] for one in found),
    }


def stored(logbook: Path, count: int, patience_s: float = 60.0) -> None:
    """Wait until so many scans are in a logbook: what was sent may still wait in the recorder's queue."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        with Logbook(logbook) as book:
            if book.last() is not None and (run := book.run("last")).groups and run.extent(0)[1] >= count:
                return
        time.sleep(0.05)


def one_full_speed(megabytes: int, rate_hz: int = RATE_HZ) -> dict[str, Any]:
    count = megabytes * 1_000_000 // (2 * len(CHANNELS))
    data = frames(0, 0, codes(count, rate_hz), 120, CodeType.U16)
    drained = bare_drain(data)
    controller, terminal = pty.openpty()
    tty.setraw(terminal)
    with tempfile.TemporaryDirectory() as folder:
        process = recorder(Path(folder), os.ttyname(terminal), "--until-closed")
        while not (Path(folder) / "livesense.db").exists():
            time.sleep(0.05)
        time.sleep(1.0)
        begun_s = time.monotonic()
        write_all(controller, description(rate_hz) + data)
        stored(Path(folder) / "livesense.db", count)
        spent_s = time.monotonic() - begun_s
        os.close(controller)
        os.close(terminal)
        out, _ = process.communicate()
    summary = json.loads(out)
    group = summary["groups"][0]
    return {
        "megabytes_per_s": len(data) / spent_s / 1e6,
        "bare_drain_megabytes_per_s": drained / 1e6,
        "ratio": len(data) / spent_s / drained,
        "scans_sent": count,
        "scans_stored": group["scans_stored"],
        "scans_lost": group["scans_lost"],
        "faults": summary["faults"],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--megabytes", type=int, default=100)
    parser.add_argument("--json", type=Path)
    arguments = parser.parse_args()
    result = {"at_20_kS/s_x_4": at_rate(arguments.seconds), "pty_full_speed": full_speed(arguments.megabytes)}
    for name, figures in result.items():
        print(name)
        for key, value in figures.items():
            print(f"  {key:<28} {value:.4g}" if isinstance(value, float) else f"  {key:<28} {value}")
    if arguments.json:
        arguments.json.write_text(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()

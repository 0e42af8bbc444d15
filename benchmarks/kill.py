"""What a killed recorder loses: ``python benchmarks/kill.py [--rounds 100] [--json FILE]``.

A recorder takes 20 kS/s x 4 over TCP and is killed (SIGKILL) at a random moment. Printed: milliseconds
between the last scan sent and the last one in the logbook, median and worst, and in commits of 50 ms;
whether SQLite's own check, all checksums, counts and the zoom pyramid (`verify`) are right; and whether
each run read as recovered at once.
"""

from __future__ import annotations

import argparse
import json
import random
import socket
import statistics
import tempfile
import time
from contextlib import suppress
from functools import cache
from pathlib import Path

from pump import PER_PACKET, RATE_HZ, codes, description
from record import recorder

from livesense.errors import LivesenseError
from livesense.logbook.reader import Logbook
from livesense.logbook.verify import verify
from livesense.recorder import COMMIT_S
from livesense.samples import CodeType
from livesense.wire.encode import frames

LONGEST_S = 20
"""A busy machine takes its time to start a recorder."""


def at_work(path: Path) -> bool:
    """Tell whether the recorder has stored its first scans."""
    if not path.exists():
        return False
    try:
        with Logbook(path) as logbook:
            return logbook.last() is not None and logbook.run("last").holds_scans()
    except LivesenseError:
        return False


@cache
def stream() -> list[bytes]:
    """Make what the device sends, packet by packet; once for all kills."""
    sent = codes(RATE_HZ * LONGEST_S)
    return [
        frames(0, at, sent[at : at + PER_PACKET], PER_PACKET, CodeType.U16)
        for at in range(0, len(sent), PER_PACKET)
    ]


def kill_once(seed: int) -> tuple[float, bool, str]:
    """Milliseconds lost, whether the file is sound, and the run's state."""
    kill_after_s = random.Random(seed).uniform(0.1, 3.0)
    pieces = stream()
    with tempfile.TemporaryDirectory() as name, socket.create_server(("127.0.0.1", 0)) as server:
        folder = Path(name)
        process = recorder(folder, f"socket://127.0.0.1:{server.getsockname()[1]}")
        with server.accept()[0] as peer:
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            peer.sendall(description())
            begun_s = time.monotonic()
            count, armed_s = 0, None
            for number, piece in enumerate(pieces):
                time.sleep(max(0.0, begun_s + number * PER_PACKET / RATE_HZ - time.monotonic()))
                if armed_s is None and number % 10 == 0 and at_work(folder / "livesense.db"):
                    armed_s = time.monotonic()
                if armed_s is not None and time.monotonic() - armed_s >= kill_after_s:
                    break
                peer.sendall(piece)
                count += PER_PACKET
            process.kill()
            process.communicate()
        path = folder / "livesense.db"
        with Logbook(path) as logbook:
            run = logbook.run("last")
            stored = run.extent(0)[1]
            state = run.row.state
        # SQLite's own check is a part of it.
        sound = verify(path, None, lambda *_: None).total == 0
    return 1000 * (count - stored) / RATE_HZ, sound, state


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--json", type=Path)
    arguments = parser.parse_args()
    results = []
    # Ctrl-C ends it early, with what was measured until then.
    with suppress(KeyboardInterrupt):
        for seed in range(arguments.rounds):
            results.append(kill_once(seed))
    missing = [milliseconds for milliseconds, _, _ in results]
    facts = {
        "kills": len(missing),
        "states": sorted({state for *_, state in results}),
        "missing_ms": {"median": statistics.median(missing), "worst": max(missing)},
        "missing_commits": {
            "median": statistics.median(missing) / 1000 / COMMIT_S,
            "worst": max(missing) / 1000 / COMMIT_S,
        },
        "all_sound": all(sound for _, sound, _ in results),
    }
    print(json.dumps(facts, indent=2))
    if arguments.json:
        arguments.json.write_text(json.dumps(facts, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

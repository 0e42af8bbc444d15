"""What a killed recorder loses: ``python benchmarks/kill.py [--rounds 20]``.

A recorder takes 20 kS/s x 4 over TCP and is killed (SIGKILL) at a random moment.
Printed: milliseconds between the last scan sent and the last one in the logbook,
median and worst, and whether each logbook was sound and read as recovered.
"""

from __future__ import annotations

import argparse
import random
import socket
import sqlite3
import statistics
import tempfile
import time
from pathlib import Path

from pump import PER_PACKET, RATE_HZ, codes, description
from record import recorder

from livesense.logbook.reader import Logbook
from livesense.samples import CodeType
from livesense.wire.encode import frames


def kill_once(seed: int) -> tuple[float, bool, str]:
    """Milliseconds lost, whether the file is sound, and the run's state."""
    kill_after_s = random.Random(seed).uniform(1.0, 4.0)
    sent = codes(RATE_HZ * 5)
    pieces = [
        frames(0, at, sent[at : at + PER_PACKET], PER_PACKET, CodeType.U16)
        for at in range(0, len(sent), PER_PACKET)
    ]
    with tempfile.TemporaryDirectory() as name, socket.create_server(("127.0.0.1", 0)) as server:
        folder = Path(name)
        process = recorder(folder, f"socket://127.0.0.1:{server.getsockname()[1]}")
        with server.accept()[0] as peer:
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            peer.sendall(description())
            begun_s = time.monotonic()
            count = 0
            for number, piece in enumerate(pieces):
                time.sleep(max(0.0, begun_s + number * PER_PACKET / RATE_HZ - time.monotonic()))
                if time.monotonic() - begun_s >= kill_after_s:
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
        with sqlite3.connect(path) as connection:
            sound = connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    return 1000 * (count - stored) / RATE_HZ, sound, state


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=20)
    arguments = parser.parse_args()
    results = [kill_once(seed) for seed in range(arguments.rounds)]
    missing = [milliseconds for milliseconds, _, _ in results]
    print(f"kills {len(missing)}, states {sorted({state for *_, state in results})}")
    print(f"missing: median {statistics.median(missing):.0f} ms, worst {max(missing):.0f} ms")
    print(f"sound: {all(sound for _, sound, _ in results)}")


if __name__ == "__main__":
    main()

"""A disk that fills up under a sender as fast as it can be: loud, early, nothing kept is lost."""

from __future__ import annotations

import contextlib
import json
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from plain_device import bench_text, description_frame, group

from livesense.logbook.reader import Logbook
from livesense.samples import CodeType
from livesense.wire.encode import frames

DISK_MB = 24
SENT_SCANS = 8_000_000
CHANNELS = ("iu", "iv", "iw")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)]
    try:
        subprocess.run(command, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("needs the right to mount a small disk")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_disk_that_fills_up_fast_stops_the_recording_while_there_is_room_for_its_end(
    tmp_path: Path, disk: Path
) -> None:
    # All 16 bits at random: nothing can be compressed, the disk fills as fast as it may.
    codes = np.random.default_rng(1).integers(0, 65536, (1 << 16, 3), dtype=np.uint16)
    (tmp_path / "pump.toml").write_text(bench_text(bits=16, channels=CHANNELS), encoding="utf-8")
    least_free = shutil.disk_usage(disk).free
    with socket.create_server(("127.0.0.1", 0)) as server:
        process = subprocess.Popen(
            [
                sys.executable, "-m", "livesense.cli.main", "record", "pump.toml", "--json",
                "--port", f"socket://127.0.0.1:{server.getsockname()[1]}", "--logbook", str(disk / "x.db"),
            ],
            cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        ended = threading.Event()

        def watch() -> None:
            nonlocal least_free
            while not ended.wait(0.001):
                least_free = min(least_free, shutil.disk_usage(disk).free)

        watching = threading.Thread(target=watch)
        watching.start()
        with server.accept()[0] as peer, contextlib.suppress(ConnectionError):
            peer.sendall(description_frame([group(CHANNELS, bits=16)]))
            for first in range(0, SENT_SCANS, len(codes)):
                peer.sendall(frames(0, first, codes, 64, CodeType.U16))
        out, err = process.communicate(timeout=120)
        ended.set()
        watching.join()
    summary = json.loads(out)
    assert process.returncode == 1
    assert "the disk is full" in summary["error"]
    assert "the disk is full" in err
    assert "Traceback" not in err
    assert least_free > 1 << 20
    with contextlib.closing(sqlite3.connect(disk / "x.db")) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    with Logbook(disk / "x.db") as book:
        run = book.run(summary["run"])
        assert (run.row.state, run.row.ended) == ("failed", "error")
        assert run.row.scans_lost == 0
        stored = run.scans_stored(0)
        assert stored == summary["groups"][0]["scans_stored"] > 1_000_000
        for first, found in run.codes(0, 0, stored):
            assert np.array_equal(found, codes[np.arange(first, first + len(found)) % len(codes)])

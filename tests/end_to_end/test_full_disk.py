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
from livesense.logbook.verify import verify
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


@pytest.mark.slow
def test_a_floor_of_the_bench_file_stops_the_recording_with_so_much_free(tmp_path: Path, disk: Path) -> None:
    codes = np.random.default_rng(1).integers(0, 65536, (1 << 16, 3), dtype=np.uint16)
    (tmp_path / "pump.toml").write_text(
        bench_text(bits=16, channels=CHANNELS, more='[keep]\nfree = "12 MB"\n'), encoding="utf-8"
    )
    stream = description_frame([group(CHANNELS, bits=16)]) + b"".join(
        frames(0, first, codes, 64, CodeType.U16) for first in range(0, 2_500_000, len(codes))
    )
    (tmp_path / "stream.bin").write_bytes(stream)
    command = [sys.executable, "-m", "livesense.cli.main"]
    where = ["--logbook", str(disk / "x.db"), "--json"]
    done = subprocess.run(
        [*command, "record", "pump.toml", "--port", f"file:{tmp_path / 'stream.bin'}", *where],
        cwd=tmp_path, capture_output=True, text=True,
    )  # fmt: skip
    summary = json.loads(done.stdout)
    assert done.returncode == 1
    assert "stopped before the disk is full" in done.stderr
    assert "12.0 MB are to stay free ([keep] free in the bench file)" in summary["error"]
    # The room of the write-ahead file comes back when it is closed; what was left is there.
    assert shutil.disk_usage(disk).free > 10_000_000
    shown = subprocess.run([*command, "show", "last", *where], cwd=tmp_path, capture_output=True, text=True)
    facts = json.loads(shown.stdout)
    assert (facts["state"], facts["ended"], facts["error"]) == ("failed", "error", summary["error"])
    assert facts["groups"][0]["scans_stored"] == summary["groups"][0]["scans_stored"] > 500_000
    assert verify(disk / "x.db", None, lambda *_: None).findings == ()


@pytest.mark.slow
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

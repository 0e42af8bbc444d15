"""A whole stack: a board on a socket, a recorder of its own process, and the page."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from walk_bench import RATE_HZ, Bench, Board, bench

from dashboard.app import Server, Settings
from livesense.errors import LogbookError
from livesense.logbook import requests
from livesense.logbook.reader import Logbook

RECORD = [sys.executable, "-m", "livesense.cli.main", "record", "pump.toml"]


class Stack:
    """A board, its recorder and the page; ``flows`` sets what the supply pushes."""

    def __init__(self, folder: Path, board: Board) -> None:
        (folder / "pump.toml").write_text(bench(), encoding="utf-8")
        self.folder, self.bench = folder, Bench(board)
        self.server = Server(Settings(folder / "livesense.db", token="t", open_browser=False))
        self.thread = threading.Thread(target=self.server.run)
        self.thread.start()
        self.recorder: subprocess.Popen[str] | None = None

    def record(self) -> None:
        words = [*RECORD, "--port", self.bench.port, "--logbook", str(self.folder / "livesense.db")]
        self.recorder = subprocess.Popen(
            words, cwd=self.folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )

    def flows(self, step: str) -> None:
        self.bench.step = step

    def recorded(self, seconds: float) -> None:
        """Wait until so much more is in the logbook."""
        until = self._scans() + round(seconds * RATE_HZ)
        deadline = time.monotonic() + 60.0
        while self._scans() < until:
            assert time.monotonic() < deadline, "no scans come"
            time.sleep(0.05)

    def _scans(self) -> int:
        with suppress(LogbookError, ValueError), Logbook(self.folder / "livesense.db") as book:
            return book.run(1).scans_stored(0)
        return 0

    def stop(self) -> None:
        if self.recorder is not None:
            requests.ask(self.folder / "livesense.db", 1, "stop")
            _, said = self.recorder.communicate(timeout=20)
            assert self.recorder.returncode == 0, said
            self.recorder = None

    def close(self) -> None:
        if self.recorder is not None:
            self.recorder.kill()
            self.recorder.communicate(timeout=20)
        self.bench.close()
        self.server.close()
        self.thread.join(10)


@contextmanager
def stacks(folder: Path) -> Iterator[Callable[[Board], Stack]]:
    """Make stacks in a folder, and close them in the end."""
    made: list[Stack] = []

    def make(board: Board) -> Stack:
        made.append(Stack(folder, board))
        return made[-1]

    yield make
    for one in made:
        one.close()

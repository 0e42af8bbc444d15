"""Emulated boards: their firmware, the programs that run them, and the real recorder that listens."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from firmware_kit import EXAMPLES as EXAMPLES
from firmware_kit import FIRMWARE, WARNINGS

from livesense.errors import LivesenseError
from livesense.logbook.reader import Logbook
from livesense.samples import GroupInfo

RECORD = [sys.executable, "-m", "livesense.cli.main", "record"]


def without(missing: str, package: str) -> None:
    """Skip the test, or fail where CI should have what is missing."""
    if os.environ.get("CI"):
        pytest.fail(f"CI runs the firmware on emulated boards: install {package} for {missing}")
    pytest.skip(f"no {missing} here: install {package} to run the firmware on emulated boards")


def program(name: str, package: str) -> str:
    """Path of a program; without it the test is skipped, or fails where CI should have it."""
    if os.name != "posix":
        pytest.skip("emulated boards are reached through ptys")
    found = shutil.which(name)
    if found is None:
        without(name, package)
    assert found
    return found


def build(command: list[str], *sources: Path, to: Path) -> Path:
    built = subprocess.run(
        [*command, *WARNINGS, f"-I{FIRMWARE / 'c'}", "-o", str(to), *map(str, sources)],
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr
    return to


def wait_for(condition: Callable[[], bool], what: str, limit_s: float = 120.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {limit_s} s for {what}")
        time.sleep(0.02)


class Recorder:
    """`livesense record` in a process of its own, and what it has stored so far."""

    def __init__(self, folder: Path, bench: Path, port: str, *options: str) -> None:
        self.logbook = folder / "livesense.db"
        self.errors = folder / "recorder.txt"
        with self.errors.open("w") as errors:
            self.process = subprocess.Popen(
                [*RECORD, str(bench), "--port", port, "--json", *options],
                cwd=folder,
                stdout=subprocess.PIPE,
                stderr=errors,
                text=True,
                encoding="utf-8",
            )

    def listens(self) -> bool:
        """Whether the port is open and the run has begun."""
        return self._look(lambda logbook: logbook.last() is not None, False)

    def stored(self) -> int:
        return self._look(lambda logbook: logbook.run("last").scans_stored(0), 0)

    def restarts(self) -> int:
        return self._look(lambda logbook: len(logbook.run("last").restarts()), 0)

    def away(self) -> bool:
        return self._look(lambda logbook: logbook.run("last").is_away(), False)

    def _look(self, question: Callable[[Logbook], Any], before: Any) -> Any:
        """Ask the logbook; while there is nothing in it, the answer is `before`."""
        assert self.process.poll() is None, self.errors.read_text()
        if not self.logbook.exists():
            return before
        try:
            with Logbook(self.logbook) as logbook:
                return question(logbook)
        except (LivesenseError, ValueError):  # no run, or no group yet
            return before

    def wait_for_scans(self, count: int) -> None:
        """Wait until so many more scans are stored."""
        enough = self.stored() + count
        wait_for(lambda: self.stored() >= enough, f"{count} scans")

    def finish(self) -> dict[str, Any]:
        """End the recording as a user would; its summary."""
        self.process.send_signal(signal.SIGINT)
        out, _ = self.process.communicate(timeout=60)
        assert self.process.returncode == 0, self.errors.read_text()
        summary = json.loads(out)
        assert isinstance(summary, dict)
        return summary

    def stretches(self) -> list[tuple[int, np.ndarray]]:
        """All stored codes: index of the first scan, and codes, of each whole stretch."""
        with Logbook(self.logbook) as logbook:
            run = logbook.run("last")
            pieces = list(run.codes(0, *run.extent(0)))
        joined: list[tuple[int, np.ndarray]] = []
        for first, codes in pieces:
            if joined and joined[-1][0] + len(joined[-1][1]) == first:
                joined[-1] = (joined[-1][0], np.concatenate([joined[-1][1], codes]))
            else:
                joined.append((first, np.asarray(codes)))
        return joined

    def groups(self) -> tuple[GroupInfo, ...]:
        """What the recorder knows of the groups, from the description."""
        with Logbook(self.logbook) as logbook:
            return logbook.run("last").groups

    def end(self) -> None:
        end(self.process)


def end(process: subprocess.Popen[Any], patience_s: float = 20) -> None:
    """Leave no process behind, whatever happened. One that waits for a reader has to be killed."""
    process.terminate()
    try:
        process.wait(patience_s)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe:
            pipe.close()

"""Recorders that the page started, and those it finds at work: what they do, and how they ended.

A recorder is a process of its own and outlives the page. It is asked to stop through the logbook; only
where it does not hear, and only if it is ours, a signal asks it once more. Nothing is ever killed.
"""

from __future__ import annotations

import contextlib
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from dashboard.benches import BenchFile
from dashboard.commands import end_politely, said, spawn, words
from livesense.errors import UsageError

STOP_PATIENCE_S = 4.0
"""So long a recorder may take to hear that it should stop, before it gets a signal."""
ENDING_S = 3.0
"""So long the process of a recorder may take to go when its run is over."""
MOST_STARTED = 8
ENDS_KEPT = 8
LONGEST_NAME = 200


@dataclass
class Started:
    """A recorder of ours; ``run`` is known once it has written its run's row."""

    key: int
    process: subprocess.Popen[bytes]
    bench: BenchFile
    port: str
    name: str
    asked_wall_s: float
    run: int | None = None
    signalled: bool = False


@dataclass(frozen=True, slots=True)
class Ended:
    """How a recorder ended: ``run`` None where it never began one; ``text`` are words for people.

    ``ended_wall_s`` is the last sign of one that died: when that was noticed tells nothing of it.
    """

    key: int
    run: int | None
    port: str
    ended_wall_s: float
    bad: bool
    text: str


@dataclass(frozen=True, slots=True)
class AtWork:
    """A run that is being recorded now, as its logbook shows it, with its recorder's last sign of life."""

    run: int
    port: str
    began_wall_s: float
    sign_wall_s: float


@dataclass
class Recorders:
    """Starts recorders, watches them, and remembers the ends that should be told."""

    logbook: Path
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _started: list[Started] = field(default_factory=list)
    _seen: dict[int, AtWork] = field(default_factory=dict)
    _stops: dict[int, float] = field(default_factory=dict)
    _ends: list[Ended] = field(default_factory=list)
    _keys: int = 0

    def start(self, bench: BenchFile, port: str, name: str) -> int:
        """Start a recorder of a bench file on a port; hands back its key.

        Raises
        ------
        UsageError
            Something is recorded from that port already, too many are started, or no process can be made.
        """
        with self._lock:
            self._let_end(port)
            self._reap()
            busy = [s for s in self._started if s.port == port]
            if busy or any(work.port == port for work in self._seen.values()):
                raise UsageError(f"something is recorded from {port} already: stop that first")
            if len(self._started) >= MOST_STARTED:
                raise UsageError(f"{MOST_STARTED} recorders are at work already: stop one first")
            arguments = ["record", str(bench.path), f"--port={port}", f"--name={plain_name(name)}"]
            asked_wall_s = time.time()
            try:
                process = spawn(words(*arguments, f"--logbook={self.logbook}", "--quiet"), keep_output=False)
            except (OSError, ValueError) as error:
                raise UsageError(f"no recorder can be started: {error}") from error
            self._keys += 1
            self._started.append(Started(self._keys, process, bench, port, name, asked_wall_s))
            return self._keys

    def stopping(self, run: int) -> None:
        """Remember that a run was asked to stop."""
        with self._lock:
            self._stops.setdefault(run, time.monotonic())

    def look(self, at_work: list[AtWork], state_of: Callable[[int], str]) -> None:
        """Take in which runs are recorded now; ``state_of`` tells how one that no longer is has ended."""
        with self._lock:
            self._claim(at_work)
            self._reap()
            now = {work.run: work for work in at_work}
            for run in sorted(self._seen.keys() - now.keys()):
                self._run_ended(self._seen[run], state_of(run))
            self._seen = now
            self._stops = {run: since for run, since in self._stops.items() if run in now}
            self._nudge()

    def at_work(self) -> list[AtWork]:
        """List the runs that were being recorded at the last look."""
        with self._lock:
            return list(self._seen.values())

    def starting(self) -> list[Started]:
        """List recorders of ours that have not begun their run yet."""
        with self._lock:
            return [started for started in self._started if started.run is None]

    def ends(self) -> list[Ended]:
        """How the last ones ended, the latest first."""
        with self._lock:
            return self._ends[::-1]

    def told(self, key: int) -> None:
        """Forget an end that was read."""
        with self._lock:
            self._ends = [end for end in self._ends if end.key != key]

    def stop_words(self, run: int) -> str:
        """Say how far a stop has come; empty where none was asked."""
        with self._lock:
            since = self._stops.get(run)
            if since is None:
                return ""
            if time.monotonic() - since < STOP_PATIENCE_S:
                return "It was asked to stop."
            ours = next((started for started in self._started if started.run == run), None)
            if ours is not None:
                return "It did not hear; a signal asks it to end. What is recorded is kept."
            return (
                "It does not answer, and it was not started here: end it where it was started (Ctrl-C). "
                "What is recorded is kept."
            )

    def close(self) -> None:
        """Let go of the recorders: they go on, and are found again by their logbook."""
        with self._lock:
            for started in self._started:
                if started.process.stderr is not None:
                    started.process.stderr.close()
                # It is meant to outlive this object; nobody waits for it.
                started.process.returncode = started.process.poll() or 0
            self._started = []

    def _claim(self, at_work: list[AtWork]) -> None:
        """Find the runs of recorders that were started here: same port, begun since."""
        taken = {started.run for started in self._started}
        for started in self._started:
            if started.run is not None:
                continue
            fits = [
                work.run
                for work in at_work
                if work.port == started.port
                and work.began_wall_s >= started.asked_wall_s - 1.0
                and work.run not in taken
            ]
            if fits:
                started.run = min(fits)
                taken.add(started.run)

    def _let_end(self, port: str) -> None:
        """Wait for a recorder whose run is over: its process goes a moment later, and lets go of the port."""
        for started in self._started:
            if started.port == port and started.run is not None and started.run not in self._seen:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    started.process.wait(ENDING_S)

    def _reap(self) -> None:
        for started in [s for s in self._started if s.process.poll() is not None]:
            self._started.remove(started)
            words_said = b""
            if started.process.stderr is not None:
                words_said = started.process.stderr.read()
                started.process.stderr.close()
            if started.process.returncode == 0:
                continue
            why = said(words_said)
            if started.run is not None:
                if not why:
                    # Killed: what became of its run is told from the logbook.
                    continue
                self._seen.pop(started.run, None)
            why = why or f"it ended with {started.process.returncode} and said nothing"
            self._end(started.run, started.port, True, f"The recorder on {started.port} ended: {why}")

    def _run_ended(self, work: AtWork, state: str) -> None:
        if state in ("recovered", "failed"):
            died = state == "recovered"
            how = "died: this was its last sign" if died else "ended with an error"
            text = (
                f"The recorder of run {work.run} on {work.port} {how}. What it recorded until then is kept."
            )
            self._end(work.run, work.port, True, text, work.sign_wall_s if died else None)
        elif state == "complete":
            self._end(work.run, work.port, False, f"Run {work.run} is complete.")

    def _end(
        self, run: int | None, port: str, bad: bool, text: str, ended_wall_s: float | None = None
    ) -> None:
        self._keys += 1
        ended_wall_s = time.time() if ended_wall_s is None else ended_wall_s
        self._ends = [*self._ends, Ended(self._keys, run, port, ended_wall_s, bad, text)][-ENDS_KEPT:]

    def _nudge(self) -> None:
        for started in self._started:
            since = self._stops.get(started.run or -1)
            late = since is not None and time.monotonic() - since >= STOP_PATIENCE_S
            if late and not started.signalled:
                started.signalled = True
                end_politely(started.process)


def plain_name(name: str) -> str:
    """Name of a run as it can stand in an argument: no control characters."""
    kept = "".join(c if c.isprintable() else " " for c in name)
    return " ".join(kept.split())[:LONGEST_NAME]

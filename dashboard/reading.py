"""Runs of one logbook, lent to one thread at a time.

The server answers from many threads; a logbook's connection and the analysis that stands on it serve
one. A *desk* holds one open logbook and the runs last looked at; a request takes a free desk, and
puts it back.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.follow import Recording

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.logbook.reader import Logbook

RUNS_AT_HAND = 4
"""Runs a desk keeps open: the one being recorded, and a few being looked at."""


class Desk:
    """One open logbook and the runs last looked at; for one thread at a time."""

    def __init__(self, path: Path) -> None:
        from livesense.logbook.reader import Logbook

        self.logbook: Logbook = Logbook(path)
        self._runs: OrderedDict[int, RunAnalysis] = OrderedDict()

    def run(self, number: int, fresh: bool = True) -> RunAnalysis:
        """Return the analysis of a run; ``fresh`` looks again at its row and groups, scans are always new."""
        from livesense.analysis import RunAnalysis

        if number in self._runs:
            analysis = self._runs[number]
            self._runs.move_to_end(number)
            if fresh:
                analysis.refresh()
            return analysis
        analysis = RunAnalysis(self.logbook, number)
        self._runs[number] = analysis
        while len(self._runs) > RUNS_AT_HAND:
            self._runs.popitem(last=False)
        return analysis

    def recording(self) -> list[Recording]:
        """Look at the runs that are being recorded, newest first."""
        found = []
        for number in self.logbook.recordings():
            run = self.logbook.run(number)
            health = run.health()
            found.append(
                Recording(
                    number,
                    run.holds_scans(),
                    run.row.started_wall_s if health is None else health.wall_s,
                    health is not None and health.figures.get("link") == "away",
                )
            )
        return found

    def newest(self) -> int | None:
        """Find the number of the newest run of all."""
        return self.logbook.last()

    def newest_with_scans(self) -> int | None:
        """Find the number of the newest run that there is something to see of."""
        return self.logbook.last_with_scans()

    def state(self, number: int) -> str:
        """Tell the state of a run."""
        return self.logbook.run(number).row.state

    def close(self) -> None:
        """Close the logbook."""
        self._runs.clear()
        self.logbook.close()


class Reading:
    """Lends desks; opens one more when all are taken."""

    def __init__(self, path: Path, open_desk: Callable[[Path], Desk] = Desk) -> None:
        self.path = path
        self._open = open_desk
        self._lock = threading.Lock()
        self._free: list[Desk] = []
        self._closed = False

    @contextmanager
    def desk(self) -> Iterator[Desk | None]:
        """Lend a desk; None while there is no logbook file yet."""
        with self._lock:
            desk = self._free.pop() if self._free else None
        if desk is None:
            if not self.path.exists():
                yield None
                return
            desk = self._open(self.path)
        try:
            yield desk
        except BaseException:
            # Whatever went wrong may have left the connection in the middle of something.
            desk.close()
            raise
        with self._lock:
            if not self._closed:
                self._free.append(desk)
                return
        desk.close()

    def close(self) -> None:
        """Close all desks; those still lent are closed when they come back."""
        with self._lock:
            self._closed = True
            free, self._free = self._free, []
        for desk in free:
            desk.close()

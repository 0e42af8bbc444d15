"""Signs of life: how long ago something last changed, and what was counted of late.

What a recorder writes carries the time of its computer's clock, which may be set; so ages are those of
changes as seen from here, and only the first look goes by the clock.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from livesense.logbook.rows import HealthRow
    from livesense.logbook.run_reader import RunReader

LATELY_S = 10.0
OLD_AT_FIRST_S = 5.0
"""At the first look ages below this are not believed: what was written may be a moment old."""


@dataclass(frozen=True, slots=True)
class Ages:
    """Ages in seconds, None where nothing was seen yet; ``waiting_bytes`` are read but not decoded."""

    data_s: float | None = None
    bytes_s: float | None = None
    recorder_s: float | None = None
    waiting_bytes: int = 0


@dataclass
class _Change:
    """When a value last changed, as seen from here."""

    value: float | None = None
    at_s: float = 0.0

    def age_s(self, now_s: float, value: float | None, at_first_s: float) -> float | None:
        if value is None:
            return None
        if value != self.value:
            known = self.value is not None
            self.value = value
            self.at_s = now_s - (at_first_s if not known and at_first_s > OLD_AT_FIRST_S else 0.0)
        return now_s - self.at_s


@dataclass
class Signs:
    """Watches one run's scans, bytes and recorder."""

    _scans: _Change = field(default_factory=_Change)
    _bytes: _Change = field(default_factory=_Change)
    _recorder: _Change = field(default_factory=_Change)

    def ages(self, now_s: float, run: RunReader, scans: int) -> Ages:
        """Look at a run; ``now_s`` is this computer's steady clock, ``scans`` the number stored."""
        health = run.health()
        if run.row.state != "recording":
            ended_s = run.row.ended_wall_s or (health.wall_s if health is not None else None)
            return Ages(data_s=None if ended_s is None else max(0.0, time.time() - ended_s))
        arrived_s = _number(health, "last_arrival_wall_s")
        silent_s = time.time() - (
            arrived_s if arrived_s is not None else run.row.started_wall_s + run.row.seconds
        )
        ages = Ages(
            # Before the first scan it is the waiting that has an age.
            data_s=self._scans.age_s(now_s, scans, silent_s if scans else 0.0),
            bytes_s=self._bytes.age_s(now_s, arrived_s, silent_s),
            waiting_bytes=int(_number(health, "waiting_bytes") or 0),
        )
        if health is None:
            return ages
        late_s = time.time() - health.wall_s
        return replace(ages, recorder_s=self._recorder.age_s(now_s, health.wall_s, late_s))


def _number(health: HealthRow | None, key: str) -> float | None:
    value = None if health is None else health.figures.get(key)
    return float(value) if isinstance(value, int | float) else None


@dataclass
class Tally:
    """Counts of the last ten seconds, from running totals."""

    seen: deque[tuple[float, int, dict[str, int]]] = field(default_factory=deque)

    def lately(self, now_s: float, lost: int, faults: Mapping[str, int]) -> tuple[int, dict[str, int]]:
        """Return what was lost, and the faults of each kind, within the last ten seconds."""
        self.seen.append((now_s, lost, dict(faults)))
        while len(self.seen) > 1 and self.seen[1][0] <= now_s - LATELY_S:
            self.seen.popleft()
        _, lost_then, faults_then = self.seen[0]
        grown = {kind: count - faults_then.get(kind, 0) for kind, count in faults.items()}
        return lost - lost_then, {kind: count for kind, count in grown.items() if count > 0}

"""What an outage of the port cost: how long it was, and what became of the scans meanwhile.

Where the device counted on, each group's first scan afterwards tells how many were lost.
Where it restarted, where the wire has no counter, or where nothing came any more, nobody can tell,
and that is said instead.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from livesense.logbook.rows import OutageRow
from livesense.timetext import iso_time, run_seconds
from livesense.wording import counted

if TYPE_CHECKING:
    from livesense.samples import Gap


class Uncounted(StrEnum):
    """Why the loss in an outage cannot be counted."""

    RESTART = "restart"
    NO_COUNTER = "no-counter"
    NOTHING_BEFORE = "nothing-before"
    NOTHING_AFTER = "nothing-after"


REASONS = {
    Uncounted.RESTART: "the device restarted",
    Uncounted.NO_COUNTER: "the wire has no scan counter",
    Uncounted.NOTHING_BEFORE: "no scan had come before it",
    Uncounted.NOTHING_AFTER: "no scan came after it",
}


class Outages:
    """The outages of a run that is being recorded, each kept in its logbook as soon as it is known.

    ``keep`` writes one down, or writes it anew. The recorder tells when the port goes and
    comes; the intake tells, scan by scan, what came of it.
    """

    def __init__(self, keep: Callable[[OutageRow], None]) -> None:
        self._write = keep
        self._before = Away()
        self._row: OutageRow | None = None
        self._waiting: set[int] = set()
        """Groups that had scans before the outage and none since."""

    @property
    def away(self) -> Away:
        """All outages so far, in short."""
        return self._before if self._row is None else self._before.joined(self._row)

    def begins(self, wall_s: float, cause: str, groups: Iterable[int]) -> None:
        """Note that the port went away; ``groups`` are those that had scans before."""
        self._before = self.away
        self._waiting = set(groups)
        why = Uncounted.NOTHING_AFTER if self._waiting else Uncounted.NOTHING_BEFORE
        self._keep(OutageRow(wall_s, None, cause, None, why))

    def ends(self, seconds: float) -> None:
        """Note that the port is back after so long."""
        assert self._row is not None
        self._keep(replace(self._row, ended_wall_s=self._row.began_wall_s + seconds))

    def gap(self, gap: Gap) -> None:
        """Take a gap; it belongs to the outage when it is its group's first news since."""
        if self._row is not None and gap.group in self._waiting:
            if gap.count is None:
                self._cannot_count(Uncounted.NO_COUNTER)
            else:
                self._count(gap.count)

    def restart(self) -> None:
        """Take a restart; it happened in the outage when a group had no news since."""
        if self._waiting:
            self._cannot_count(Uncounted.RESTART)

    def scans(self, group: int) -> None:
        """Take note that scans of a group came."""
        if group in self._waiting:
            self._count(0)
            self._waiting.discard(group)

    def _count(self, scans: int) -> None:
        assert self._row is not None
        self._keep(replace(self._row, scans_lost=(self._row.scans_lost or 0) + scans, uncounted=None))

    def _cannot_count(self, why: Uncounted) -> None:
        assert self._row is not None
        self._waiting = set()
        self._keep(replace(self._row, scans_lost=None, uncounted=why))

    def _keep(self, row: OutageRow) -> None:
        self._row = row
        self._write(row)


@dataclass(frozen=True, slots=True)
class Away:
    """Several outages in short: in ``uncounted`` of them nobody knows the loss, for the reasons ``why``."""

    count: int = 0
    seconds: float = 0.0
    scans_lost: int = 0
    uncounted: int = 0
    why: tuple[str, ...] = ()
    text: str = ""

    def joined(self, row: OutageRow) -> Away:
        """One outage more."""
        seconds = self.seconds + (_seconds(row) or 0.0)
        lost = self.scans_lost + (row.scans_lost or 0)
        unknown = row.scans_lost is None
        uncounted = self.uncounted + unknown
        why = self.why
        if unknown and (reason := _reason(row)) and reason not in why:
            why = (*why, reason)
        count = self.count + 1
        if count == 1:
            text = _text(row)
        else:
            text = f"away {count} times, {seconds:.1f} s in all, {counted(lost, 'scan')} lost"
            if uncounted:
                reasons = f" ({', '.join(why)})" if why else ""
                text += f"; the loss in {uncounted} of them cannot be counted{reasons}"
        return Away(count, seconds, lost, uncounted, why, text)

    def as_json(self) -> dict[str, Any]:
        """Keys of ``away`` in docs/scripting.md."""
        return {
            "count": self.count,
            "seconds": run_seconds(self.seconds),
            "scans_lost": self.scans_lost,
            "uncounted": self.uncounted,
            "text": self.text,
        }


def away_of(rows: Iterable[OutageRow]) -> Away:
    """Sum outages up."""
    away = Away()
    for row in rows:
        away = away.joined(row)
    return away


def outage_facts(row: OutageRow) -> dict[str, Any]:
    """One outage as `show` prints it; the keys are those of docs/scripting.md."""
    seconds = _seconds(row)
    return {
        "began": iso_time(row.began_wall_s),
        "ended": None if row.ended_wall_s is None else iso_time(row.ended_wall_s),
        "seconds": None if seconds is None else round(seconds, 3),
        "cause": row.cause,
        "scans_lost": row.scans_lost,
        "uncounted": row.uncounted,
        "text": _text(row),
    }


def _seconds(row: OutageRow) -> float | None:
    return None if row.ended_wall_s is None else row.ended_wall_s - row.began_wall_s


def _text(row: OutageRow) -> str:
    seconds = _seconds(row)
    away = "away and not seen to come back" if seconds is None else f"away {seconds:.1f} s"
    if row.scans_lost is not None:
        return f"{away}, {counted(row.scans_lost, 'scan')} lost"
    reason = _reason(row)
    return f"{away}, loss cannot be counted" + (f" ({reason})" if reason else "")


def _reason(row: OutageRow) -> str:
    """Why in words; empty where an older livesense did not tell."""
    return REASONS[Uncounted(row.uncounted)] if row.uncounted in list(Uncounted) else ""

"""What grows with a run, carried on from look to look: a page asks twice a second, for days.

Nothing here is read whole a second time. Rows are only ever added, behind those that are
there, so it is enough to read from the newest one known; that one is read again, because it
may have been renewed.
"""

from __future__ import annotations

import math
import time

from livesense.logbook import kept, revisions
from livesense.logbook.whole import Select, whole_of
from livesense.samples import SegmentStart

RECOUNT_S = 60.0
"""So often all faults of a run are counted again; between, only those of the newest seconds."""

UNSETTLED_S = 10
"""Faults of the newest seconds may still grow in number."""


class Totals:
    """Totals of one run; every call looks at the logbook and is exact."""

    def __init__(self, select: Select, run: int) -> None:
        self._select = select
        self._run = run
        self._stored: dict[int, tuple[int, int]] = {}
        self._dropped: dict[int, int] = {}
        self._drops: bool | None = None
        self._lost: dict[int, tuple[int, int]] = {}
        self._faults: tuple[float, int, dict[str, int]] = (-math.inf, 0, {})
        self._events: tuple[int | None, int, int] = (None, -1, 0)
        self._segments: dict[int, list[SegmentStart]] = {}

    def scans_stored(self, group: int) -> int:
        """Count the scans of a group that were stored, those that were dropped since too."""
        upto, before = self._stored.get(group, (-1, 0))
        # One statement, so that no merge of the tail and no dropping falls between its parts.
        ((blocks, last, tail, dropped),) = self._select(
            "SELECT coalesce(sum(scans), 0), max(first),"
            " coalesce((SELECT sum(scans) FROM tail WHERE run = :run AND scan_group = :number), 0),"
            f" {self._dropped_sum()}"
            " FROM block WHERE run = :run AND scan_group = :number AND position = 0 AND first > :upto",
            {"run": self._run, "number": group, "upto": upto},
        )
        gone = whole_of(self._run, dropped, "scans")
        if upto >= 0 and gone != self._dropped.get(group, 0):
            # What was counted is not there any more: once more from the beginning.
            del self._stored[group]
            return self.scans_stored(group)
        self._dropped[group] = gone
        counted = before + whole_of(self._run, blocks, "scans")
        if last is not None:
            self._stored[group] = (whole_of(self._run, last, "first"), counted)
        return counted + gone + whole_of(self._run, tail, "scans")

    def scans_dropped(self, group: int) -> int:
        """Count the scans of a group that retention dropped."""
        ((gone,),) = self._select(f"SELECT {self._dropped_sum()}", {"run": self._run, "number": group})
        return whole_of(self._run, gone, "scans")

    def _dropped_sum(self) -> str:
        if self._drops is None:
            self._drops = kept.are_noted(self._select)
        if not self._drops:
            return "0"
        return (
            "coalesce((SELECT sum(scans) FROM dropped"
            " WHERE run = :run AND scan_group = :number AND level = 0), 0)"
        )

    def scans_lost(self, group: int) -> int:
        """Count a group's lost scans, as far as they can be counted, burst pauses left out."""
        # The newest gap's index may get another row (one that cannot be counted), so it is summed again.
        begin, known = self._lost.get(group, (0, 0))
        ((count, before, last),) = self._select(
            "SELECT coalesce(sum(scans), 0), coalesce(sum(scans) FILTER (WHERE first < last), 0), last"
            " FROM gap, (SELECT max(first) AS last FROM gap WHERE run = :run AND scan_group = :number)"
            " WHERE run = :run AND scan_group = :number AND first >= :begin AND cause <> 'burst'",
            {"run": self._run, "number": group, "begin": begin},
        )
        if last is not None:
            self._lost[group] = (
                whole_of(self._run, last, "first"),
                known + whole_of(self._run, before, "scans"),
            )
        return known + whole_of(self._run, count, "scans")

    def faults(self) -> dict[str, int]:
        """Count the faults per kind."""
        summed_s, until, known = self._faults
        now = time.monotonic()
        if now - summed_s > RECOUNT_S:
            # A host clock that was set back adds to seconds long gone: so all are counted now and then.
            ((newest,),) = self._select("SELECT max(wall_s) FROM fault WHERE run = ?", (self._run,))
            until = whole_of(self._run, newest, "wall_s") - UNSETTLED_S if newest is not None else 0
            known = dict(
                self._select(
                    "SELECT kind, sum(count) FROM fault WHERE run = ? AND wall_s < ? GROUP BY kind",
                    (self._run, until),
                )
            )
            self._faults = now, until, known
        rows = self._select(
            "SELECT kind, sum(count) FROM fault WHERE run = ? AND wall_s >= ? GROUP BY kind",
            (self._run, until),
        )
        counts = dict(known)
        for kind, count in rows:
            counts[kind] = counts.get(kind, 0) + count
        return dict(sorted(counts.items()))

    def events(self) -> int:
        """Count the events of the newest revision."""
        revision, upto, known = self._events
        newest = revisions.newest(self._select, self._run)
        if newest != revision:
            upto, known = -1, 0
        ((count, last),) = self._select(
            "SELECT count(*), max(number) FROM event WHERE run = ? AND revision = ? AND number > ?",
            (self._run, newest, upto),
        )
        if last is not None:
            self._events = newest, whole_of(self._run, last, "number"), known + count
        return known + int(count)

    def segments(self, group: int) -> list[SegmentStart]:
        """List a group's segments in order."""
        known = self._segments.setdefault(group, [])
        rows = self._select(
            "SELECT scan_group, first, start_s, rate_hz FROM segment"
            " WHERE run = ? AND scan_group = ? AND first >= ? ORDER BY first",
            (self._run, group, known[-1].first if known else 0),
        )
        known[-1:] = [SegmentStart(*row) for row in rows]
        return list(known)

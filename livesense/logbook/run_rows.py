"""Runs at a glance: one of them or all, in the same few statements however many there are."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from livesense.logbook import revisions
from livesense.logbook.fields import from_json
from livesense.logbook.rows import RunRow
from livesense.logbook.whole import Select, whole_of

StateOf = Callable[[int, str, str | None], str]

_RUN = """
SELECT number, token, name, started_wall_s, ended, ended_wall_s, bench_name, bench_text, bench_path, device,
       port, wire, version, summary FROM run {where} ORDER BY number DESC
"""
_EVENTS = "SELECT run, count(*) FROM event WHERE revision = {revision} GROUP BY run"
_CHANNELS = """
SELECT run, name FROM channel {where} ORDER BY run, scan_group, position
"""
# What was stored last, and the segment it lies in.
_GROUPS = """
WITH reach AS (
 SELECT run, number, rate_hz, counted, max(
   coalesce((SELECT first + scans FROM block AS b WHERE b.run = g.run AND b.scan_group = g.number
             AND position = 0 ORDER BY first DESC LIMIT 1), 0),
   coalesce((SELECT first + scans FROM tail AS t WHERE t.run = g.run AND t.scan_group = g.number
             ORDER BY first DESC LIMIT 1), 0)) AS stop
 FROM scan_group AS g {where})
SELECT r.run, r.number, r.rate_hz, r.counted, r.stop, s.first, s.start_s, s.rate_hz
 FROM reach AS r LEFT JOIN segment AS s ON s.run = r.run AND s.scan_group = r.number AND s.first =
  (SELECT max(first) FROM segment WHERE run = r.run AND scan_group = r.number AND first < r.stop)
"""
_HOLDS_SCANS = """
(EXISTS (SELECT 1 FROM block WHERE run = r.number) OR EXISTS (SELECT 1 FROM tail WHERE run = r.number))
"""
_LOST = """
SELECT run, scan_group, coalesce(sum(scans), 0) FROM gap WHERE cause <> 'burst' GROUP BY run, scan_group
"""


@dataclass(slots=True)
class _Parts:
    """What one run's groups add to its row."""

    seconds: float = 0.0
    counting: bool = False
    channels: list[str] = field(default_factory=list)
    events: int = 0
    lost: int = 0


def run_rows(
    select: Select, state_of: StateOf, only: int | None = None, totals: tuple[int, int] = (0, 0)
) -> list[RunRow]:
    """Read the rows of all runs, newest first, or of ``only`` one; empty when that is not there.

    ``totals`` are the scans that one run lost and its events: whoever looks at one run again and
    again carries them on, because counting a long run's takes longer than everything else.

    Raises
    ------
    DamagedBlockError
        A number is none.
    """
    values = {"run": only}
    runs = select(_RUN.format(where="" if only is None else "WHERE number = :run"), values)
    where = "" if only is None else "WHERE run = :run"
    parts: defaultdict[int, _Parts] = defaultdict(_Parts)
    counting = set()
    for run, number, rate_hz, counted, stop, *segment in select(_GROUPS.format(where=where), values):
        part = parts[run]
        part.seconds = max(part.seconds, _until_s(run, rate_hz, stop, segment))
        if counted:
            part.counting = True
            counting.add((run, number))
    and_where = f"{where} AND" if where else "WHERE"
    for run, name in select(_CHANNELS.format(where=f"{and_where} role = 'code'"), values):
        parts[run].channels.append(name)
    if only is not None:
        parts[only].lost, parts[only].events = totals
        return [_row(row, parts[row[0]], state_of) for row in runs]
    newest = revisions.NEWEST.format(run="event.run") if revisions.are_kept(select) else "0"
    for run, count in select(_EVENTS.format(revision=newest), ()):
        parts[run].events = count
    for run, number, count in select(_LOST, ()):
        if (run, number) in counting:
            parts[run].lost += whole_of(run, count, "scans")
    return [_row(row, parts[row[0]], state_of) for row in runs]


def without_scans(select: Select) -> list[int]:
    """Find the runs that hold no scans, newest first."""
    text = f"SELECT number FROM run AS r WHERE NOT {_HOLDS_SCANS} ORDER BY number DESC"
    return [int(number) for (number,) in select(text, ())]


def last_with_scans(select: Select) -> int | None:
    """Find the newest run that holds scans; None where there is none."""
    text = f"SELECT number FROM run AS r WHERE {_HOLDS_SCANS} ORDER BY number DESC LIMIT 1"
    return next((int(number) for (number,) in select(text, ())), None)


def _row(row: tuple[Any, ...], part: _Parts, state_of: StateOf) -> RunRow:
    (
        number, token, name, started, ended, ended_wall_s, bench_name, bench_text, bench_path, device,
        port, wire, version, summary,
    ) = row  # fmt: skip
    return RunRow(
        number=number,
        name=name,
        started_wall_s=started,
        seconds=part.seconds,
        state=state_of(number, token, ended),
        ended=ended,
        ended_wall_s=ended_wall_s,
        channels=tuple(part.channels),
        events=part.events,
        scans_lost=part.lost if part.counting else None,
        bench_name=bench_name,
        bench_text=bench_text,
        bench_path=bench_path,
        device=device,
        wire=wire,
        port=port,
        version=version,
        summary=None if summary is None else from_json(summary),
    )


def _until_s(run: int, rate_hz: float | None, stop: object, segment: list[Any]) -> float:
    end = whole_of(run, stop, "scans")
    if end < 1:
        return 0.0
    first, start_s, segment_hz = segment if segment[0] is not None else (0, 0.0, rate_hz)
    # As TimeAxis.end_s has it, without numpy, which takes longer to load than all of this.
    before = end - 1 - whole_of(run, first, "first")
    if not segment_hz:
        return 0.0 if before else float(start_s)
    seconds = float(start_s) + before * (1.0 / segment_hz) + 1.0 / segment_hz
    return seconds if math.isfinite(seconds) else 0.0

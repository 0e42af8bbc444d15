"""What retention left of a run, in words: which raw scans are gone, since when, and what is still there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from livesense.bench.values import engineering
from livesense.timetext import run_seconds
from livesense.wording import counted

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.logbook.kept import DroppedRow

MOST_TOLD = 3
"""Stretches of raw scans that a sentence names one by one."""


def dropped_text(
    analysis: RunAnalysis, from_s: float | None = None, to_s: float | None = None, group: int | None = None
) -> str | None:
    """Say what raw scans of a window were dropped, and what the run still has; None where none were."""
    rows = [
        row
        for row in analysis.run.dropped(group)
        if _in_window(analysis, row, from_s, to_s) and row.scans > 0
    ]
    if not rows:
        return None
    lead = rows[0].group
    ends = [time for row in rows if row.group == lead for time in _times(analysis, row)]
    return (
        f"raw samples from {_second(min(ends))} to {_second(max(ends))} were dropped by retention"
        f" {_why(analysis, rows)}; kept: {_kept(analysis, lead)}, and the sums that pictures are drawn from"
        f"{_bare(analysis, rows)}"
    )


def keep_facts(analysis: RunAnalysis) -> dict[str, Any]:
    """Tell the run's retention; the keys are those of ``keep`` in docs/scripting.md."""
    run = analysis.run
    keep = analysis.bench.keep
    rows = run.dropped()
    return {
        "raw_s": keep.raw_s,
        "size_bytes": keep.size_bytes,
        "free_bytes": keep.free_bytes,
        "dropped": [
            {
                "group": row.group,
                "first": row.first,
                "stop": row.stop,
                "scans": row.scans,
                "from_s": run_seconds(times[0]),
                "to_s": run_seconds(times[1]),
                "reason": row.reason,
            }
            for row in rows
            for times in [_times(analysis, row)]
        ],
        "text": dropped_text(analysis),
    }


def _why(analysis: RunAnalysis, rows: list[DroppedRow]) -> str:
    keep = analysis.bench.keep
    if rows[-1].reason != "age" and keep.size_bytes is not None:
        return f"to keep the logbook within {keep.size_bytes / 1e6:g} MB ([keep] size)"
    if keep.raw_s is not None:
        return f"after {engineering(keep.raw_s, 's')} ([keep] raw)"
    return "as its bench file asked then ([keep])"


def _bare(analysis: RunAnalysis, rows: list[DroppedRow]) -> str:
    """Say that events have lost their waveforms too, where the size left no room for them."""
    ends = [_times(analysis, row)[1] for row in rows if row.reason == "waveforms"]
    if not ends:
        return ""
    last = _second(max(ends))
    return f"; of events before {last} no waveform is left, their rows and figures are ([keep] size)"


def _kept(analysis: RunAnalysis, group: int) -> str:
    """Name the stretches of raw scans that are left: the newest, and those of events."""
    stretches = kept_stretches(analysis, group)
    if not stretches:
        return "no raw samples"
    begin, end = stretches[-1]
    newest = f"raw samples from {_second(begin)} to {_second(end)}"
    events = stretches[:-1]
    if not events:
        return newest
    if len(events) <= MOST_TOLD:
        named = ", ".join(f"{_second(a)} to {_second(b)}" for a, b in events)
        return f"{newest}, of events {named}"
    return f"{newest}, and of events {counted(len(events), 'stretch', 'stretches')} before"


def kept_stretches(analysis: RunAnalysis, group: int) -> list[tuple[float, float]]:
    """Find where raw scans are left, in seconds of the run: between the dropped ranges, and behind them."""
    run = analysis.run
    first, stop = run.extent(group)
    rows = [row for row in run.dropped(group) if row.scans > 0]
    begins = [first, *(row.stop for row in rows)]
    ends = [*(row.first for row in rows), stop]
    axis = run.time_axis(group)
    return [
        (float(axis.time_s(np.array([begin]))[0]), axis.end_s(end - 1))
        for begin, end in zip(begins, ends, strict=True)
        if begin < end
    ]


def newest_kept_s(analysis: RunAnalysis) -> float:
    """Find from when on all raw scans of all groups are there, in seconds of the run."""
    ends = {row.group: _times(analysis, row)[1] for row in analysis.run.dropped()}
    return max(ends.values(), default=float("-inf"))


def _in_window(analysis: RunAnalysis, row: DroppedRow, from_s: float | None, to_s: float | None) -> bool:
    # In scans: the end of one and the beginning of the next may differ in the last bit of their seconds.
    first, stop = analysis.scans_between(row.group, from_s, to_s)
    return row.first < stop and first < row.stop


def _times(analysis: RunAnalysis, row: DroppedRow) -> tuple[float, float]:
    axis = analysis.run.time_axis(row.group)
    return float(axis.time_s(np.array([row.first]))[0]), axis.end_s(row.stop - 1)


def _second(seconds: float) -> str:
    return f"{seconds:.3f} s" if seconds < 1000 else f"{seconds:.1f} s"

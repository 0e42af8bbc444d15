"""Which scans stay when raw ones are dropped, and what of a run was: plain ranges of scan indices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from livesense.logbook.whole import Select, whole_of

if TYPE_CHECKING:
    from livesense.samples import Event

Range = tuple[int, int]
"""Scan indices ``first … stop − 1``."""


@dataclass(frozen=True, slots=True)
class DroppedRow:
    """Scans ``first … stop − 1`` of a group that retention dropped; ``scans`` leaves gaps in between out.

    ``level`` 0 are the raw scans, 1 the finest sums over them. ``reason`` is age or size.
    """

    group: int
    level: int
    first: int
    stop: int
    scans: int
    reason: str
    wall_s: float


def are_noted(select: Select) -> bool:
    """Tell whether the logbook can have dropped anything: its schema had no such table at first."""
    return bool(select("SELECT 1 FROM sqlite_master WHERE name = 'dropped'", ()))


def dropped_rows(select: Select, run: int, group: int | None = None) -> list[DroppedRow]:
    """List what was dropped of a run, or of one of its groups, in order."""
    if not are_noted(select):
        return []
    rows = select(
        "SELECT scan_group, level, first, stop, scans, reason, wall_s FROM dropped"
        " WHERE run = :run AND (:group IS NULL OR scan_group = :group) ORDER BY scan_group, level, first",
        {"run": run, "group": group},
    )
    return [
        DroppedRow(
            whole_of(run, number, "scan_group"),
            whole_of(run, level, "level"),
            whole_of(run, first, "first"),
            whole_of(run, stop, "stop"),
            whole_of(run, scans, "scans"),
            str(reason),
            wall_s if isinstance(wall_s, float) else 0.0,
        )
        for number, level, first, stop, scans, reason, wall_s in rows
    ]


def waveforms_of(event: Event, now: int, rate_hz: float, around_s: float, half_s: float) -> list[Range]:
    """Find what stays of an event, in order; ``now`` is the next scan's index.

    From ``pre`` before its start to ``post`` after its end, at least ``around_s``. Of an event longer than
    twice ``half_s``: so much of its beginning and of its end, and what lies around its peak.
    """

    def scans(seconds: float) -> int:
        return round(seconds * rate_hz)

    pre = scans(max(around_s, _seconds(event, "pre_s")))
    post = scans(max(around_s, _seconds(event, "post_s")))
    begin = max(event.start_scan - pre, 0)
    last = now if event.end_scan is None else event.end_scan
    end = last + 1 + post
    half, around = scans(half_s), scans(around_s)
    if last - event.start_scan <= 2 * half:
        return [(begin, end)]
    peak = max(event.peak_scan - around, 0), event.peak_scan + 1 + around
    return joined_ranges([(begin, event.start_scan + half), peak, (last - half, end)])


def _seconds(event: Event, name: str) -> float:
    value = event.details.get(name)
    return float(value) if isinstance(value, int | float) else 0.0


def joined_ranges(ranges: Sequence[Range]) -> list[Range]:
    """Put ranges in order; those that touch or overlap become one."""
    found: list[Range] = []
    for first, stop in sorted(ranges):
        if found and first <= found[-1][1]:
            found[-1] = found[-1][0], max(stop, found[-1][1])
        elif first < stop:
            found.append((first, stop))
    return found


def outside(span: Range, ranges: Sequence[Range]) -> list[Range]:
    """Find what of a span lies in none of some ranges, which are in order and apart."""
    found, at = [], span[0]
    for first, stop in ranges:
        if first > at:
            found.append((at, min(first, span[1])))
        at = max(at, stop)
        if at >= span[1]:
            break
    if at < span[1]:
        found.append((at, span[1]))
    return [part for part in found if part[0] < part[1]]

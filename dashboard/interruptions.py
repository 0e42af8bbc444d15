"""What interrupted a run, in words and with its place on the run's own time axis.

Four kinds: a *gap* (scans that did not arrive), a *restart* of the device, an *outage* of the port, and the
end of a run whose recorder *died*: its last scan, after which nothing is known.
An outage is known by the computer's clock only; the hole that it left between two segments, where the
arrival clock found one, says where it lies among the scans.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.digits import grouped
from livesense.outages import outage_facts
from livesense.retained import dropped_text
from livesense.wording import counted

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.samples import TimeAxis

MOST_GAPS = 500
NEAR_S = 1.0
"""An outage and the hole it left differ by what was under way: a port's buffer, a reader's patience."""

CAUSES = {
    "wire": "lost on the way",
    "outage": "lost while the port was away",
    "host": "lost because this computer was too slow",
    "burst": "not sent: the device pauses between bursts",
}


def interruptions(analysis: RunAnalysis) -> dict[str, Any]:
    """Gather all outages and restarts and the first ``MOST_GAPS`` gaps of a run, in order of time.

    ``rows`` are ``{"kind", "from_s", "to_s", "text"}``; ``text`` says how many there are in all. Where the
    recorder died, each group with scans has a row of kind ``died`` with its ``group``, where its scans end.
    """
    run = analysis.run
    axes = [run.time_axis(group) for group in range(len(run.groups))]
    holes = [hole for axis in axes for hole in holes_of(axis)]
    all_gaps = run.gaps(most=MOST_GAPS)
    known_outages = run.outages()
    gaps = []
    for gap in all_gaps:
        ends = axes[gap.group].time_s(np.array([gap.first, gap.first + (gap.count or 0)])).tolist()
        if known_outages and gap.cause == "outage":
            # The outage says what it cost; the gap says where it lies.
            holes.append((ends[0], ends[1]))
            continue
        text = _gap_text(gap.count, str(gap.cause))
        gaps.append({"kind": "gap", "from_s": ends[0], "to_s": ends[1], "text": text})
    outages = []
    for outage in known_outages:
        began_s = outage.began_wall_s - run.row.started_wall_s
        ended_s = None if outage.ended_wall_s is None else outage.ended_wall_s - run.row.started_wall_s
        from_s, to_s = _placed(began_s, ended_s, holes, analysis.extent_s()[1])
        text = f"port {outage_facts(outage)['text']}: {outage.cause}"
        outages.append({"kind": "outage", "from_s": from_s, "to_s": to_s, "text": text})
    restarts = []
    for restart in run.restarts():
        group = restart.group or 0
        at_s = float(axes[group].time_s(np.array([restart.scan]))[0]) if group < len(axes) else 0.0
        text = "the device began anew"
        if restart.last_counter is not None and restart.first_counter is not None:
            text += (
                f": its counter went from {grouped(restart.last_counter)} to {grouped(restart.first_counter)}"
            )
        restarts.append(
            {"kind": "restart", "from_s": at_s, "to_s": at_s,
             "text": text + "; what was lost around it cannot be counted"}
        )  # fmt: skip
    died = _last_scans(analysis, axes) if run.row.state == "recovered" else []
    order = {"outage": 0, "restart": 1, "gap": 2, "died": 3}
    rows = sorted([*outages, *restarts, *gaps, *died], key=lambda row: (row["from_s"], order[row["kind"]]))
    count = run.gap_count()
    text = _summary(count, len(restarts), len(outages), bool(died))
    dropped = dropped_text(analysis)
    if dropped is not None:
        text = f"{text.replace('is stored', 'was stored')} {dropped[:1].upper()}{dropped[1:]}."
    return {"rows": rows, "text": text, "more": count - len(all_gaps)}


def _last_scans(analysis: RunAnalysis, axes: list[TimeAxis]) -> list[dict[str, Any]]:
    """Tell where the scans of each group end in a run whose recorder died."""
    rows = []
    for group, axis in enumerate(axes):
        first, stop = analysis.run.extent(group)
        if stop <= first:
            continue
        names = ", ".join(channel.name for channel in analysis.channels if channel.group == group)
        of = f" of {names}" if len(axes) > 1 else ""
        text = (
            f"last scan{of} that is kept; the recorder died, and what the device sent afterwards is not known"
        )
        ends_s = axis.end_s(stop - 1)
        rows.append({"kind": "died", "from_s": ends_s, "to_s": ends_s, "group": group, "text": text})
    return rows


def _gap_text(count: int | None, cause: str) -> str:
    why = CAUSES.get(cause, f"not stored, cause: {cause}")
    return f"{'an unknown number of scans' if count is None else counted(count, 'scan', write=grouped)} {why}"


def _summary(gaps: int, restarts: int, outages: int, died: bool) -> str:
    counts = (
        (outages, "outage of the port", "outages of the port"),
        (restarts, "restart of the device", "restarts of the device"),
        (gaps, "gap", ""),
    )
    said = ", ".join(counted(*count, write=grouped) for count in counts if count[0])
    if died:
        # Not "every scan that was counted": those of its last moment were counted and not yet committed.
        end = "Its recorder died: nothing is known of what came after the last scan."
        return f"{said}. {end}" if said else end
    return f"{said}." if said else "None: every scan that was counted is stored."


def holes_of(axis: TimeAxis) -> list[tuple[float, float]]:
    """Stretches of time between the end of one segment and the beginning of the next."""
    holes = []
    for segment in axis.segments[1:]:
        before_s = axis.end_s(segment.first - 1)
        if segment.start_s > before_s:
            holes.append((before_s, segment.start_s))
    return holes


def _placed(
    began_s: float, ended_s: float | None, holes: list[tuple[float, float]], run_end_s: float
) -> tuple[float, float]:
    if ended_s is None:
        return min(began_s, run_end_s), run_end_s
    near = [h for h in holes if h[0] < ended_s + NEAR_S and h[1] > began_s - NEAR_S]
    # Groups of several rates leave holes of their own; the one that all share is the narrowest.
    return min(near, key=lambda hole: hole[1] - hole[0]) if near else (began_s, ended_s)

"""What `events` tells: events with their uncertainties; gaps and restarts of the link beside them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from livesense.chain import ChannelChain
from livesense.logbook.rows import EventRow
from livesense.samples import Estimate, Event, TimeAxis
from livesense.timetext import run_seconds
from livesense.watch.words import figure
from livesense.wording import counted, shown

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

CAUSES = {
    "wire": "lost or damaged on the line",
    "outage": "the port was away",
    "host": "this computer was too slow",
    "burst": "the device pauses between bursts",
}
"""Why scans are missing, in words."""


def event_facts(analysis: RunAnalysis, rows: Sequence[EventRow]) -> list[dict[str, Any]]:
    """Write events; the keys are those of docs/scripting.md."""
    axes = {group: analysis.run.time_axis(group) for group in {row.event.group for row in rows}}
    chains = analysis.chain.channels
    return [_facts(chains, row.event, axes[row.event.group]) for row in rows]


def _facts(channels: Mapping[str, ChannelChain], event: Event, axis: TimeAxis) -> dict[str, Any]:
    def seconds(scan: int | None) -> float | None:
        return None if scan is None else run_seconds(float(axis.time_s(np.array([scan]))[0]))

    details = event.details
    chains = [channels[name] for name in event.channel.split("+") if name in channels]
    peak = _peak(chains, event).as_json()
    if event.peak_at_least:
        # What reads no lower was no higher.
        peak["at_most" if event.kind == "undervoltage" else "at_least"] = True
    trip_scan = details.get("trip_scan")
    begun_s = float(axis.time_s(np.array([event.start_scan]))[0])
    lasted_s = None if event.end_scan is None else axis.end_s(event.end_scan) - begun_s
    return {
        "kind": event.kind,
        "severity": details.get("severity", "alarm"),
        "channel": event.channel,
        "group": event.group,
        "start_scan": event.start_scan,
        "end_scan": event.end_scan,
        "start_s": seconds(event.start_scan),
        "end_s": seconds(event.end_scan),
        "peak": peak,
        "peak_scan": event.peak_scan,
        "peak_s": seconds(event.peak_scan),
        "limit": {"value": event.limit, "u": 0.0, "unit": details.get("limit_unit", event.unit)},
        "quantity": details.get("quantity"),
        "default_rule": bool(details.get("default", False)),
        "trip_scan": trip_scan,
        "trip_s": seconds(trip_scan),
        **_integrals(chains, event, lasted_s),
        "pre_s": details.get("pre_s", 0.0),
        "post_s": details.get("post_s", 0.0),
        "keep_first": details.get("keep_first"),
        "keep_last": details.get("keep_last"),
        "lost_scans": event.lost_scans,
        "cut_short": event.cut_short,
        "text": _worded(event, peak),
    }


def _peak(chains: Sequence[ChannelChain], event: Event) -> Estimate:
    if event.unit == "%":
        # Errors of scale of three channels, each by itself, turn I2/I1 by a third of each in all directions:
        # u of its length is u_scale / √6 (computed from the definition). Over whole cycles offsets drop out.
        own = [c.u_scale**2 - c.u_common**2 for c in chains]
        u = 100 * math.sqrt(max(0.0, sum(own)) / max(1, len(own)) / 6)
        return Estimate(event.peak, 0.0, u, event.unit)
    return Estimate(
        event.peak,
        max((c.u_quantisation for c in chains), default=0.0),
        max((float(c.u_systematic(event.peak)) for c in chains), default=0.0),
        event.unit,
    )


def _integrals(chains: Sequence[ChannelChain], event: Event, lasted_s: float | None) -> dict[str, Any]:
    """∫ i² dt of the event and ∫ (i² − limit²) dt of what is beyond the limit; None where they are not kept.

    By dI/di = 2 i, an error u(i) that all scans share makes 2 ∫ |i| u(i) dt, which is at most
    2 u(rms) · rms · T (Cauchy–Schwarz).
    """
    total, over = event.details.get("i2t"), event.details.get("excess_i2t")
    beyond_s = event.details.get("beyond_s") or 0.0

    def u(square: float, seconds: float) -> float:
        rms = math.sqrt(square / seconds) if seconds > 0 else 0.0
        u_rms = max((float(c.u_systematic(rms)) for c in chains), default=0.0)
        return 2 * u_rms * rms * seconds

    def quantity(value: float, u_value: float) -> dict[str, Any]:
        told: dict[str, Any] = {"value": value, "u": u_value, "unit": "A²s"}
        return told | ({"at_least": True} if event.peak_at_least else {})

    found: dict[str, Any] = {"i2t": None, "excess_i2t": None}
    if isinstance(total, float) and event.unit == "A":
        found["i2t"] = quantity(total, u(total, max(lasted_s or 0.0, beyond_s)))
        if isinstance(over, float):
            inside = over + event.limit**2 * beyond_s
            found["excess_i2t"] = quantity(over, u(inside, beyond_s))
    return found


def _worded(event: Event, peak: Mapping[str, Any]) -> str:
    """Write the peak within the text with as many digits as its uncertainty allows."""
    worded = shown(peak)
    if worded is None or not worded.expanded:
        return event.text
    return event.text.replace(f"{figure(event.peak)} ", f"{worded.value} ", 1)


def link_facts(analysis: RunAnalysis) -> list[dict[str, Any]]:
    """Tell gaps and restarts as rows beside the events, in order of time; they count as none of them.

    Pauses of a device that sends in bursts are left out: nothing is lost in them.
    """
    run = analysis.run
    axes = [run.time_axis(group) for group in range(len(run.groups))]
    rows: list[dict[str, Any]] = []
    for gap in run.gaps():
        if gap.cause == "burst" or gap.group >= len(axes):
            continue
        at_s = float(axes[gap.group].time_s(np.array([gap.first]))[0])
        last = None if gap.count is None else gap.first + gap.count - 1
        lost = "some scans" if gap.count is None else counted(gap.count, "scan")
        rows.append(
            {
                "kind": "gap",
                "group": gap.group,
                "start_scan": gap.first,
                "end_scan": last,
                "start_s": run_seconds(at_s),
                "end_s": None if last is None else run_seconds(axes[gap.group].end_s(last)),
                "lost_scans": gap.count,
                "cause": gap.cause,
                "text": f"{lost} missing: {CAUSES.get(gap.cause, gap.cause)}",
            }
        )
    for restart in run.restarts():
        group = restart.group if restart.group is not None and restart.group < len(axes) else 0
        at_s = float(axes[group].time_s(np.array([restart.scan]))[0]) if axes else 0.0
        counter = "" if restart.last_counter is None else f", which had counted to {restart.last_counter}"
        rows.append(
            {
                "kind": "restart",
                "group": restart.group,
                "start_scan": restart.scan,
                "end_scan": restart.scan,
                "start_s": run_seconds(at_s),
                "end_s": run_seconds(at_s),
                "lost_scans": None,
                "cause": "restart",
                "text": f"the device began anew{counter}: what was lost meanwhile cannot be counted",
            }
        )
    return sorted(rows, key=lambda row: float(row["start_s"]))

"""What the `show` command tells of a run: how it was taken, and what became of every scan."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from livesense.bringup.kept import stage_facts
from livesense.budget_facts import budget_facts
from livesense.calibrated import facts_of
from livesense.last_sign import LastSign, last_sign
from livesense.outages import away_of, outage_facts
from livesense.retained import keep_facts
from livesense.timetext import iso_time, run_seconds

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.chain import ChannelChain
    from livesense.logbook.rows import RevisionRow


def show_run(analysis: RunAnalysis) -> dict[str, Any]:
    """Facts of one run, ready for JSON."""
    run = analysis.run
    row = run.row
    faults: Counter[str] = Counter()
    for fault in run.faults():
        faults[fault.kind] += fault.count
    outages = run.outages()
    return {
        "run": row.number,
        "name": row.name,
        "started": iso_time(row.started_wall_s),
        "seconds": run_seconds(row.seconds),
        "state": row.state,
        "ended": row.ended,
        "wire": row.wire,
        "port": row.port,
        "version": row.version,
        "description": run.description,
        "bench_name": row.bench_name,
        "bench": analysis.bench.text,
        "chain": [channel_facts(analysis, channel) for channel in (analysis.channels if run.groups else [])],
        "chain_warnings": list(analysis.chain.warnings) if run.groups else [],
        "calibration": facts_of(analysis.in_use),
        "revision": analysis.revision,
        "revisions": [revision_facts(revision) for revision in run.revisions()],
        "groups": [group_facts(analysis, number) for number in range(len(run.groups))],
        "segments": [
            {
                "group": group,
                "first": segment.first,
                "start_s": run_seconds(segment.start_s),
                "rate_hz": segment.rate_hz,
                "rate_fitted_hz": None if fitted is None else fitted.as_json(),
            }
            for group in range(len(run.groups))
            for segment in run.time_axis(group).segments
            for fitted in [analysis.fitted_rate_hz(group, segment.rate_hz)]
        ],
        "gaps": [
            {"group": gap.group, "first": gap.first, "count": gap.count, "cause": gap.cause}
            for gap in run.gaps()
        ],
        "outages": [outage_facts(outage) for outage in outages],
        "away": away_of(outages).as_json(),
        "restarts": [
            {key: value for key, value in asdict(restart).items() if key != "wall_s"}
            for restart in run.restarts()
        ],
        "faults": dict(faults),
        "events": row.events,
        "keep": keep_facts(analysis),
        "error": _error(row.summary),
        "last_sign": _last_sign(last_sign(run)),
        "stages": [stage_facts(stage) for stage in run.stages()],
        "notes": [
            {"at": iso_time(note.wall_s), "scan": note.scan, "source": note.source, "text": note.text}
            for note in run.notes()
        ],
    }


def _last_sign(sign: LastSign | None) -> dict[str, Any] | None:
    if sign is None:
        return None
    return {"at": None if sign.wall_s is None else iso_time(sign.wall_s), "text": sign.text}


def revision_facts(revision: RevisionRow) -> dict[str, Any]:
    """Write a revision for JSON."""
    undone = revision.undone_wall_s
    return {
        "revision": revision.number,
        "made": iso_time(revision.wall_s),
        "reason": revision.reason,
        "by": revision.made_by,
        "bench_path": revision.bench_path,
        "calibrations": list(revision.calibrations),
        "version": revision.version,
        "undone": None if undone is None else iso_time(undone),
    }


def _error(summary: dict[str, Any] | None) -> str | None:
    """Tell why the recording ended with an error, where it could still say so."""
    text = (summary or {}).get("error")
    return text if isinstance(text, str) else None


def group_facts(analysis: RunAnalysis, number: int) -> dict[str, Any]:
    """Write a group's rates, codes and counts for JSON."""
    run = analysis.run
    info = run.groups[number]
    # The latest, as `record` tells it.
    rate_hz = analysis.rate_hz(number) if info.rate_hz is not None else None
    fitted = analysis.fitted_rate_hz(number, rate_hz)
    return {
        "group": number,
        "channels": list(info.channels),
        "rate_hz": rate_hz,
        "rate_fitted_hz": None if fitted is None else fitted.as_json(),
        # The nominal rate lies outside the fitted one's k = 2 interval.
        "rate_off": fitted is not None and rate_hz is not None and abs(fitted.value - rate_hz) > 2 * fitted.u,
        "code": str(info.code),
        "bits": info.bits,
        "burst": info.burst,
        "scans_stored": run.scans_stored(number),
        "scans_lost": run.scans_lost(number),
        "scans_dropped": run.scans_dropped(number),
    }


def channel_facts(analysis: RunAnalysis, channel: ChannelChain) -> dict[str, Any]:
    """Write a channel's conversion and its uncertainty for JSON."""
    settings = next(c for c in analysis.bench.channels if c.name == channel.name)
    return {
        "name": channel.name,
        "column": settings.column,
        "group": channel.group,
        "phase": channel.phase,
        "place": channel.place,
        "circuit": channel.circuit or None,
        "sensor": str(settings.sensor),
        "computed": channel.computed,
        "unit": channel.unit,
        "range": [value if math.isfinite(value) else None for value in (channel.low, channel.high)],
        "per_code": channel.per_code,
        "zero_code": channel.zero_code,
        "u_scale_percent": float(f"{100 * channel.u_scale:.12g}"),
        "u_offset": channel.u_offset,
        "u_excludes": list(channel.u_excludes),
        "budget": budget_facts(analysis.bench, channel),
    }

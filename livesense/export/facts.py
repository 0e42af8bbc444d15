"""What an export says of its numbers: units, uncertainty, chain, bench file, gaps.

The same facts go into every format, as JSON in the place that it has for them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from livesense import __version__
from livesense.calibrated import facts_of
from livesense.export.tables import Table
from livesense.run_facts import channel_facts, group_facts
from livesense.timetext import iso_time, run_seconds

MOST_GAPS = 1000
"""So many gaps are listed; ``gaps_more`` counts the others."""

MEANING = (
    "u is standard uncertainty (k = 1). For one reading x of a channel, u(x) = sqrt(u_offset^2 + "
    "(u_scale_percent/100 * x)^2 + u_quantisation^2) unless the budget says otherwise; all but "
    "u_quantisation and noise is systematic: shared by every sample, it does not average down. "
    "u_excludes lists tolerances that the bench file does not state: they are not in u. scan counts "
    "lost scans too; time_s is seconds at the nominal rate from the run's first scan. Lost scans are "
    "absent, never interpolated."
)


def table_facts(table: Table) -> dict[str, Any]:
    """Facts of one group's table."""
    run = table.run.run
    gaps = [gap for gap in run.gaps_between(table.group, table.first, table.stop) if _inside(gap, table)]
    listed = [{"first": g.first, "count": g.count, "cause": g.cause} for g in gaps[:MOST_GAPS]]
    return {
        **group_facts(table.run, table.group),
        "first_scan": table.first,
        "stop_scan": table.stop,
        "columns": [
            {
                "column": column.header,
                "channel": column.name,
                "unit": column.unit or None,
                "holds": "values" if column.chain is not None else "codes",
                **({"decimals": column.decimals} if column.decimals else {}),
                **_chain(table, column.name),
            }
            for column in table.columns
        ],
        "segments": [
            {"first": s.first, "start_s": run_seconds(s.start_s), "rate_hz": s.rate_hz}
            for s in run.time_axis(table.group).segments
            if s.first < table.stop
        ],
        "gaps": listed,
        "gaps_more": len(gaps) - len(listed),
        # Not lost on the way: stored once, and dropped since as the bench file asks. They are absent too.
        "dropped": [
            {"first": row.first, "stop": row.stop, "scans": row.scans, "reason": row.reason}
            for row in run.dropped(table.group)
            if row.first < table.stop and row.stop > table.first
        ],
    }


def run_facts(table: Table) -> dict[str, Any]:
    """Facts of the run that a table is taken from."""
    analysis = table.run
    row = analysis.run.row
    return {
        "livesense": __version__,
        "run": row.number,
        "name": row.name,
        "started": iso_time(row.started_wall_s),
        "seconds": run_seconds(row.seconds),
        "state": row.state,
        "recorded_by": row.version,
        "device": row.device,
        "bench_name": row.bench_name,
        "bench": analysis.bench.text,
        "revision": analysis.revision,
        "calibration": facts_of(analysis.in_use),
        "meaning": MEANING,
    }


def as_text(facts: Mapping[str, Any], *, indent: int | None = None) -> str:
    """Write facts as JSON; what is not finite is null."""
    return json.dumps(plain(facts), ensure_ascii=False, allow_nan=False, indent=indent)


def plain(value: Any) -> Any:
    """Make a value fit for JSON."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(item) for item in value]
    return value


def _chain(table: Table, name: str) -> dict[str, Any]:
    channel = table.run.chain.channels.get(name)
    if channel is None:
        return {}
    facts = channel_facts(table.run, channel)
    return {
        key: facts[key]
        for key in (
            "phase", "place", "sensor", "computed", "range", "per_code", "zero_code", "u_scale_percent",
            "u_offset", "u_excludes", "budget",
        )
    } | {"u_quantisation": channel.u_quantisation}  # fmt: skip


def _inside(gap: Any, table: Table) -> bool:
    return bool(gap.first + (gap.count or 1) > table.first)

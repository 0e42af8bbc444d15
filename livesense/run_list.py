"""All runs of a logbook at a glance; by itself, so that `runs` answers at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from livesense.outages import away_of
from livesense.timetext import iso_time, run_seconds

if TYPE_CHECKING:
    from livesense.logbook.reader import Logbook


def runs(logbook: Logbook) -> list[dict[str, Any]]:
    """List the logbook's runs, newest first; the keys are those of docs/scripting.md."""
    outages = logbook.outages()
    return [
        {
            "run": row.number,
            "name": row.name,
            "started": iso_time(row.started_wall_s),
            "seconds": run_seconds(row.seconds),
            "state": row.state,
            "channels": list(row.channels),
            "events": row.events,
            "scans_lost": row.scans_lost,
            "away": away_of(outages.get(row.number, ())).as_json(),
            "bench_name": row.bench_name,
        }
        for row in logbook.runs()
    ]

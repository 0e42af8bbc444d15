"""What stands beside a CSV that livesense exported: ``NAME.csv-metadata.json``.

CSV has no place for units, phases and the date; the file beside it has (docs/export.md). Of a CSV with
another's metadata, or none, the header tells what can be told.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from livesense.recordings.recording import RecordedChannel, in_base_unit

LARGEST_BYTES = 50_000_000


@dataclass(frozen=True, slots=True)
class Beside:
    """Facts of an export; empty where there are none. ``columns`` are by the header of each."""

    device: str = ""
    started_wall_s: float | None = None
    columns: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def told(self, channel: RecordedChannel) -> RecordedChannel:
        """Take unit and phase of a channel from here, where they stand here."""
        facts = self.columns.get(channel.shown)
        if facts is None:
            return channel
        unit, factor = in_base_unit(str(facts.get("unit") or ""))
        phase = facts.get("phase")
        return replace(
            channel,
            unit=unit if facts.get("holds") == "values" else "",
            scale=factor,
            phase=phase if phase in ("U", "V", "W", "bus") else None,
            assumed=(),
        )


def beside(path: Path) -> Beside:
    """Read what stands beside a CSV; of anything that is not of an export of livesense nothing is taken."""
    file = path.with_name(f"{path.name}-metadata.json")
    try:
        if file.stat().st_size > LARGEST_BYTES:
            return Beside()
        document = json.loads(file.read_text(encoding="utf-8"))
        (note,) = document["notes"]
        run, columns = note["run"], note["table"]["columns"]
        return Beside(
            device=str(run.get("device") or ""),
            started_wall_s=datetime.fromisoformat(str(run["started"])).timestamp(),
            columns={str(one["column"]): dict(one) for one in columns},
        )
    except (OSError, ValueError, TypeError, KeyError, AttributeError, OverflowError):
        return Beside()

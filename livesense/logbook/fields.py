"""Python's values as columns hold them, and back."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from livesense.logbook.connection import plain_text
from livesense.logbook.rows import EventRow

if TYPE_CHECKING:
    from livesense.samples import Event


def whole_or_none(value: int | None) -> int | None:
    """Make a whole number Python's own."""
    # SQLite takes a numpy integer for a blob.
    return None if value is None else int(value)


def real_or_none(value: float | None) -> float | None:
    """Make a number Python's own."""
    return None if value is None else float(value)


def to_json(value: Any) -> str:
    """Write anything as JSON; what JSON cannot hold becomes text or null."""
    return json.dumps(_plain(value), ensure_ascii=False)


def _plain(value: Any) -> Any:
    """Only what JSON can hold: numpy's own types become Python's, what is not finite null."""
    if hasattr(value, "tolist"):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {plain_text(str(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, (bool, int)) else plain_text(str(value))


def device_of(text: str) -> str:
    """Find the device's name in its description; empty where there is none."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return ""
    device = found.get("device", "") if isinstance(found, dict) else ""
    return device if isinstance(device, str) else ""


def event_fields(event: Event) -> dict[str, Any]:
    """Give an event's columns and values."""
    return {
        "kind": plain_text(event.kind),
        "channel": plain_text(event.channel),
        "scan_group": int(event.group),
        "rule": int(event.rule),
        "start_scan": int(event.start_scan),
        "end_scan": whole_or_none(event.end_scan),
        "peak": float(event.peak),
        "peak_scan": int(event.peak_scan),
        "peak_at_least": int(event.peak_at_least),
        "limit_value": float(event.limit),
        "unit": plain_text(event.unit),
        "text": plain_text(event.text),
        "lost_scans": int(event.lost_scans),
        "cut_short": int(event.cut_short),
        "details": to_json(event.details),
    }


def event_row(row: tuple[Any, ...]) -> EventRow:
    """Make an event of its columns, in the order in which the reader asks for them."""
    (
        number, revision, kind, channel, group, rule, start, end, peak, peak_scan, at_least, limit, unit,
        text, lost, cut, details,
    ) = row  # fmt: skip
    # Here and not above: runs are listed without anything that samples need.
    from livesense.samples import Event

    event = Event(
        kind=kind,
        channel=channel,
        group=group,
        rule=rule,
        start_scan=start,
        end_scan=end,
        peak=math.nan if peak is None else peak,
        peak_scan=peak_scan,
        peak_at_least=bool(at_least),
        limit=math.nan if limit is None else limit,
        unit=unit,
        text=text,
        lost_scans=lost,
        cut_short=bool(cut),
        details=from_json(details),
    )
    return EventRow(number, revision, event)


def from_json(text: object) -> dict[str, Any]:
    """Read a JSON object as stored; empty when it is none."""
    try:
        found = json.loads(text) if isinstance(text, str) else None
        # Written as \\ud800, half a surrogate pair gets through JSON, and nothing could print it.
        found = json.loads(json.dumps(found, ensure_ascii=False).encode("utf-8", "replace"))
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}

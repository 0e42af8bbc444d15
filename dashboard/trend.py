"""The last minutes of what matters most: rms of each phase, speed and power.

The recorder keeps such rows with the run. Where it kept none, the trend is made of the figures that the tiles
show, from when somebody began to look.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from livesense.wording import MINUS

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LONGEST_S = 300.0
LENGTHS_S = {30.0: "30 s", 60.0: "minute", 120.0: "2 min", LONGEST_S: "5 min"}
FINE_S = 120.0
"""Up to so long a trend has a point every 200 ms, beyond it every 3 s."""
STEP_S = 1.0
"""One point a step, where they are made of the tiles' figures."""
BREAK_S = 4.0
"""No line is drawn over a longer time without a point."""

Values = dict[str, float | None]
Points = list[tuple[float, Values]]


def _value(measured: Mapping[str, Any], part: str, key: str) -> float | None:
    value = ((measured.get(part) or {}).get(key) or {}).get("value")
    return None if value is None or not math.isfinite(value) else float(value)


def values_of(channels: Sequence[Mapping[str, Any]], measured: Mapping[str, Any]) -> Values:
    """Take what is drawn out of the object of ``measure``."""
    figures = measured.get("channels") or {}
    found: Values = {f"rms:{c['name']}": _value(figures, str(c["name"]), "rms") for c in channels}
    found["speed"] = _value(measured, "speed", "rpm")
    found["power"] = _value(measured, "power", "input_power")
    return found


def kept_points(
    analysis: RunAnalysis, channels: Sequence[Mapping[str, Any]], from_s: float, to_s: float
) -> Points:
    """Points of the rows that the recorder kept, each at the middle of its row; none where it kept none."""
    if not channels or not analysis.run.has_trends(int(channels[0]["group"])):
        return []
    resolution = "200ms" if to_s - from_s <= FINE_S else "3s"
    groups = analysis.trends(from_s, to_s, resolution)["groups"]
    group = next((g for g in groups if g["group"] == channels[0]["group"]), None)
    if group is None:
        return []
    power = (group["power"] or {}).get("input_power")
    columns = {f"rms:{c['name']}": (group["channels"].get(c["name"]) or {}).get("rms") for c in channels} | {
        "speed": group["rpm"],
        "power": power,
    }
    return [
        (begin_s + seconds / 2, {key: values[at] if values else None for key, values in columns.items()})
        for at, (begin_s, seconds) in enumerate(zip(group["from_s"], group["seconds"], strict=True))
    ]


class Trend:
    """The trend of one run; ``points`` of the tiles' figures are kept for runs that have no rows."""

    def __init__(self, channels: Sequence[Mapping[str, Any]]) -> None:
        self._channels = channels
        self._points: dict[int, tuple[float, Values]] = {}

    def add(self, at_s: float, measured: Mapping[str, Any]) -> None:
        """Add what was measured at a run time."""
        self._points[int(at_s // STEP_S)] = at_s, values_of(self._channels, measured)
        oldest = int((at_s - LONGEST_S) // STEP_S)
        for step in [s for s in self._points if s < oldest]:
            del self._points[step]

    def as_json(self, analysis: RunAnalysis) -> dict[str, Any]:
        """Return strips with their lines; times are run times, ``text`` says it in words."""
        begin_s, newest_s = analysis.extent_s()
        length_s = next((s for s in LENGTHS_S if newest_s - begin_s <= s), LONGEST_S)
        from_s = newest_s - length_s
        points = kept_points(analysis, self._channels, max(begin_s, from_s), newest_s)
        points = points or sorted((p for p in self._points.values() if p[0] >= from_s), key=lambda p: p[0])
        unit = str(self._channels[0]["unit"]) if self._channels else ""
        rms = [
            _line(points, f"rms:{c['name']}", str(c["phase"] or c["name"]), c["look"]) for c in self._channels
        ]
        strips: list[dict[str, Any]] = [
            {"label": "Phases" if unit == "A" else "Channels", "unit": f"{unit} rms".strip(), "lines": rms},
            {"label": "Speed", "unit": "rpm", "lines": [_line(points, "speed", "Speed", None)]},
            {"label": "Input power", "unit": "W", "lines": [_line(points, "power", "Input power", None)]},
        ]
        shown = [s for s in strips if any(v is not None for line in s["lines"] for v in line["v"])]
        return {
            "to_s": newest_s,
            "length_s": length_s,
            "break_s": BREAK_S,
            "strips": shown,
            "text": _told(shown, length_s),
        }


def _line(points: Points, key: str, label: str, look: Any) -> dict[str, Any]:
    values = [values.get(key) for _, values in points]
    return {
        "label": label,
        "look": look,
        "t": [round(at_s, 2) for at_s, _ in points],
        "v": [None if v is None else float(f"{v:.5g}") for v in values],
    }


def _told(strips: Sequence[Mapping[str, Any]], length_s: float) -> str:
    said = []
    for strip in strips:
        for line in strip["lines"]:
            known = [v for v in line["v"] if v is not None]
            if known:
                low, high = _three_digits(min(known)), _three_digits(max(known))
                span = f"{low} {strip['unit']}" if low == high else f"{low} to {high} {strip['unit']}"
                said.append(f"{line['label']} {span}")
    return f"In the last {LENGTHS_S[length_s]}: {'; '.join(said)}." if said else "No trend yet."


def _three_digits(value: float) -> str:
    return f"{float(f'{value:.3g}'):.10g}".replace("-", MINUS)

"""The last minutes of what matters most: rms of each phase, speed and power.

Points come from the figures that the tiles show. What was before somebody looked is measured afterwards, a
short window at a time, the newest first; so a window that is opened late has its trend within half a minute.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from livesense.errors import LivesenseError
from livesense.wording import MINUS

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LONGEST_S = 300.0
LENGTHS_S = {30.0: "30 s", 60.0: "minute", 120.0: "2 min", LONGEST_S: "5 min"}
STEP_S = 1.0
"""One point a step."""
FILL_S = 5.0
"""The past is measured so sparsely, over ``FILLED_S`` each time."""
FILLED_S = 0.25
BREAK_S = 2.2 * FILL_S
"""No line is drawn over a longer time without a point."""

Values = dict[str, float | None]


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


class Trend:
    """Points of one run, one a second at most, of the last five minutes."""

    def __init__(self, channels: Sequence[Mapping[str, Any]]) -> None:
        self._channels = channels
        self._points: dict[int, tuple[float, Values]] = {}
        self._tried: set[int] = set()
        self.newest_s = 0.0
        self.begin_s = 0.0

    def add(self, at_s: float, measured: Mapping[str, Any]) -> None:
        """Add what was measured at a run time."""
        self.newest_s = max(self.newest_s, at_s)
        self._points[int(at_s // STEP_S)] = at_s, values_of(self._channels, measured)
        oldest = int((self.newest_s - LONGEST_S) // STEP_S)
        for step in [s for s in self._points if s < oldest]:
            del self._points[step]

    def missing(self, begin_s: float) -> tuple[float, float] | None:
        """Return the newest window of the past without a point that was not tried yet; None when all have."""
        self.begin_s = begin_s
        earliest_s = max(begin_s, self.newest_s - LONGEST_S)
        known = sorted(at_s for at_s, _ in self._points.values())
        slot = int((self.newest_s - FILL_S) // FILL_S)
        while slot * FILL_S >= earliest_s:
            at_s = slot * FILL_S + FILLED_S
            if slot not in self._tried and not any(abs(at_s - k) < FILL_S / 2 for k in known):
                return slot * FILL_S, at_s
            slot -= 1
        return None

    def fill(self, analysis: RunAnalysis) -> bool:
        """Measure one window of the past; False when there is none left."""
        window = self.missing(analysis.extent_s()[0])
        if window is None:
            return False
        self._tried.add(int(window[0] // FILL_S))
        try:
            self.add(window[1], analysis.measure(*window))
        except (LivesenseError, ValueError):
            pass  # an outage, or too little of it: the line is broken there
        return True

    def as_json(self) -> dict[str, Any]:
        """Return strips with their lines; times are run times, ``text`` says it in words."""
        age_s = self.newest_s - self.begin_s
        length_s = next((s for s in LENGTHS_S if age_s <= s), LONGEST_S)
        points = sorted(p for p in self._points.values() if p[0] >= self.newest_s - length_s)
        unit = str(self._channels[0]["unit"]) if self._channels else ""
        rms = [
            self._line(points, f"rms:{c['name']}", str(c["phase"] or c["name"]), c["look"])
            for c in self._channels
        ]
        strips: list[dict[str, Any]] = [
            {"label": "Phases" if unit == "A" else "Channels", "unit": f"{unit} rms".strip(), "lines": rms},
            {"label": "Speed", "unit": "rpm", "lines": [self._line(points, "speed", "Speed", None)]},
            {
                "label": "Input power",
                "unit": "W",
                "lines": [self._line(points, "power", "Input power", None)],
            },
        ]
        shown = [s for s in strips if any(v is not None for line in s["lines"] for v in line["v"])]
        return {
            "to_s": self.newest_s,
            "length_s": length_s,
            "break_s": BREAK_S,
            "strips": shown,
            "text": _told(shown, length_s),
        }

    @staticmethod
    def _line(points: Sequence[tuple[float, Values]], key: str, label: str, look: Any) -> dict[str, Any]:
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

"""Two runs side by side: what the Compare screen shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from flask import Flask, Response

from dashboard.answering import answered, refused
from dashboard.channels import described
from dashboard.digits import shown, significant
from dashboard.picture import rising_crossings
from dashboard.reading import Reading
from livesense.compare.facts import compare_runs, sentence
from livesense.compare.kept_states import alike_windows
from livesense.compare.words import is_exact, row_label, verdict
from livesense.reach import reach
from livesense.wording import COVERAGE_FACTOR

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

CHANGES = {
    ("run", "device"): "board and firmware, by what it says of itself",
    ("run", "wire"): "wire",
    ("run", "version"): "livesense that recorded",
    ("run", "calibrations"): "calibrations in use",
}
AROUND_S = 0.2
"""So much around the matched state is looked at for where phase U rises through zero."""
AT_REST = 0.02
"""Share of a channel's range below which nothing flows yet."""
PARTS = 400


def compared(first: RunAnalysis, second: RunAnalysis) -> dict[str, Any]:
    """Gather all that the screen shows of two runs, as text where it is read.

    Raises
    ------
    UsageError
        They have no phase current in common.
    """
    facts = compare_runs(first, second, alike_windows(first, second))
    return {
        "first": _side(facts["first"]),
        "second": _side(facts["second"]),
        "matched": facts["matched"],
        "why_not": facts["why_not"] or "",
        "band": "noise from {} Hz to {} Hz".format(*(significant(hz, 4) for hz in facts["band_hz"])),
        "pairs": [
            {"of": pair["of"], "sentence": sentence(pair), "rows": [_row(row) for row in pair["rows"]]}
            for pair in facts["pairs"]
        ],
        "changed": [_change(row) for row in facts["changed"]],
        "conditions": conditions(first, second, facts),
        "channels": shared_channels(first, second),
        "alignments": alignments(first, second, facts),
    }


def _side(side: Mapping[str, Any]) -> dict[str, Any]:
    if side["frequency_hz"] is None:
        state = "no steady part"
    elif side["frequency_hz"] == 0:
        state = "at rest"
    else:
        state = f"{significant(side['frequency_hz'], 4)} Hz, {significant(side['rms_a'], 3)} A rms"
    keys = ("run", "name", "bench_name", "from_s", "to_s")
    return {key: side[key] for key in keys} | {"state": state}


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    exact = is_exact(row)
    cells = [_cell(row[key], exact=exact) for key in ("first", "second", "difference")]
    return {"label": row_label(row), "cells": cells, "verdict": verdict(row), "differs": bool(row["differs"])}


def _cell(figure: Mapping[str, Any] | None, *, exact: bool = False) -> str:
    if figure is None or figure.get("value") is None:
        return "not known"
    unit = str(figure.get("unit") or "")
    if exact or not figure.get("u"):
        return f"{significant(figure['value'], 4)} {unit}".strip()
    told = shown(figure)
    return "not known" if told is None else f"{told.value} ± {told.expanded} {unit}".strip()


def _change(row: Mapping[str, Any]) -> dict[str, str]:
    of, key = str(row["of"]), str(row["key"])
    what = CHANGES.get((of, key))
    if what is None:
        what = (
            key.replace("_", " ")
            if of in ("bench", "link", "adc", "motor")
            else f"{of}: {key.replace('_', ' ')}"
        )
        what = f"{of}: {what}" if of in ("bench", "link", "adc", "motor") else what
    return {"what": what, "first": _written(row["first"]), "second": _written(row["second"])}


def _written(value: Any) -> str:
    if value is None:
        return "left out"
    if value in ([], "", ()):
        return "none"
    return ", ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)


def conditions(first: RunAnalysis, second: RunAnalysis, facts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Say under what the two were taken: temperatures, bus voltage, speed, zeros; and whether they differ."""
    measured = [
        analysis.measure(facts[key]["from_s"], facts[key]["to_s"])
        for key, analysis in (("first", first), ("second", second))
    ]
    rows = []
    names = [dict(m.get("temperatures") or {}) for m in measured]
    for name in names[0]:
        if name in names[1] and name != "withheld":
            rows.append(_condition(name, names[0][name], names[1][name]))
    for part, key, label in (("power", "bus_voltage", "Bus voltage"), ("speed", "rpm", "Speed")):
        one, other = ((m.get(part) or {}).get(key) for m in measured)
        if one is not None or other is not None:
            rows.append(_condition(label, one, other))
    for name in [c["name"] for c in shared_channels(first, second) if c["quantity"] == "current"]:
        rows.append(_condition(f"Zero of {name}", _zero(first, name), _zero(second, name)))
    return rows


def _zero(analysis: RunAnalysis, name: str) -> dict[str, Any] | None:
    chain = analysis.chain.channels[name]
    if chain.zero_code is None or not chain.per_code:
        return None
    return {"value": chain.zero_code, "u": abs(chain.u_offset / chain.per_code), "unit": "codes"}


def _condition(
    label: str, first: Mapping[str, Any] | None, second: Mapping[str, Any] | None
) -> dict[str, Any]:
    known = [q for q in (first, second) if q is not None and q.get("value") is not None]
    if len(known) < 2 or first is None or second is None:
        return {
            "label": label,
            "cells": [_cell(first), _cell(second), "not known"],
            "verdict": "",
            "differs": False,
        }
    change = float(second["value"]) - float(first["value"])
    u = float(np.hypot(first.get("u") or 0.0, second.get("u") or 0.0))
    differs = abs(change) > COVERAGE_FACTOR * u
    return {
        "label": label,
        "cells": [_cell(first), _cell(second), _cell({"value": change, "u": u, "unit": first.get("unit")})],
        "verdict": "" if not u else "differs" if differs else "alike within ±",
        "differs": differs and bool(u),
    }


def shared_channels(first: RunAnalysis, second: RunAnalysis) -> list[dict[str, Any]]:
    """Channels of one name and unit in both, currents first."""
    units = {c.name: c.unit for c in second.channels}
    rows = [c for c in described(first.channels) if units.get(c["name"]) == c["unit"]]
    return sorted(rows, key=lambda c: c["quantity"] != "current")


def alignments(first: RunAnalysis, second: RunAnalysis, facts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """List instants of both runs that can be laid over one another, in seconds of each run."""
    both = (first, second)
    found = []
    names = [str(pair["of"]) for pair in facts["pairs"]]
    crossings = [
        _crossing(analysis, names[0], facts[key]["from_s"], facts[key]["to_s"])
        for key, analysis in (("first", first), ("second", second))
    ]
    if None not in crossings and facts["first"]["frequency_hz"]:
        found.append(("crossing", f"{names[0]} rises through zero, in the state compared", crossings))
    begins = [current_begins_s(analysis, names) for analysis in both]
    if None not in begins:
        found.append(("start", "current begins to flow", begins))
    events = [next((e["start_s"] for e in a.events_page(0, 1)), None) for a in both]
    if None not in events:
        found.append(("event", "the first event", events))
    found.append(("begin", "the runs' beginnings", [a.extent_s()[0] for a in both]))
    return [{"key": k, "label": label, "first_s": at[0], "second_s": at[1]} for k, label, at in found]


def _crossing(analysis: RunAnalysis, name: str, from_s: float, to_s: float) -> float | None:
    for window in analysis.window(from_s, min(to_s, from_s + AROUND_S), [name]):
        values = window.values[name]
        crossings = rising_crossings(values) if np.isfinite(values).all() else np.empty(0)
        if len(crossings):
            return float(window.time_s[0]) + float(crossings[0]) / window.rate_hz
    return None


def current_begins_s(analysis: RunAnalysis, names: Sequence[str]) -> float | None:
    """Find where the first current of some channels begins after a rest; None where the run begins with one.

    Looked for from afar, then closer and closer: a run may last for weeks.
    """
    from_s, to_s = analysis.extent_s()
    rest = AT_REST * reach(analysis, [analysis.chain.channels[name] for name in names])
    while to_s > from_s:
        bands = [analysis.envelope(name, from_s, to_s, PARTS) for name in names]
        count = min(len(band.low) for band in bands)
        swing = np.max([np.fmax(-band.low[:count], band.high[:count]) for band in bands], axis=0, initial=0.0)
        flowing = np.flatnonzero(swing > rest)
        if not len(flowing) or flowing[0] == 0:
            return None
        at, time_s = int(flowing[0]), bands[0].time_s
        if count < PARTS or time_s[1] - time_s[0] < 1e-3:
            return float(time_s[at])
        from_s, to_s = float(time_s[at - 1]), float(time_s[min(at + 1, count - 1)])
    return None


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add ``/api/compare/A/B``."""

    @flask.get("/api/compare/<int:one>/<int:other>")
    def compare(one: int, other: int) -> Response:
        try:
            return answered(reading, lambda desk: compared(desk.run(one), desk.run(other)))
        except ValueError as error:
            return refused(error)

"""One run for the Run screen: what it is, its samples at any zoom, its figures, its notes."""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from flask import Flask, Response, abort, request

from dashboard.channels import described, limits
from dashboard.digits import shown
from dashboard.reading import Desk, Reading
from dashboard.stream import FEWEST_COLUMNS, MOST_COLUMNS, as_json
from dashboard.tiles import withheld_reason
from livesense.errors import LivesenseError, RunNotFoundError
from livesense.logbook import requests as logbook_requests
from livesense.samples import FloatArray

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LONGEST_MEASURED_S = 20.0
"""Figures of longer stretches would keep the page waiting; the command line has no such limit."""
LONGEST_NOTE = 2000
MOST_GAPS = 500

COLUMNS: tuple[tuple[str, str], ...] = (
    ("mean", "Mean"),
    ("rms", "RMS"),
    ("min", "Lowest"),
    ("max", "Highest"),
    ("frequency_hz", "Frequency"),
    ("fundamental_rms", "Fundamental"),
    ("thd_percent", "THD"),
)
TOGETHER: tuple[tuple[str, str], ...] = (
    ("speed.rpm", "Speed"),
    ("power.input_power", "Input power"),
    ("power.bus_voltage", "Bus voltage"),
    ("power.bus_current", "Bus current"),
    ("power.energy_Wh", "Energy"),
    ("power.charge_Ah", "Charge"),
    ("three_phase.unbalance_percent", "Unbalance"),
    ("three_phase.residual_rms", "Sum of the phases"),
)


def when(wall_s: float | None) -> str:
    """Return a host time as local date and time, to the second."""
    if wall_s is None:
        return ""
    return datetime.fromtimestamp(wall_s, UTC).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def samples(analysis: RunAnalysis, names: Sequence[str], from_s: float, to_s: float, columns: int) -> bytes:
    """Pack samples of some channels of one group into one message, for a plot so many columns wide.

    u32 length of the JSON header, the header (``{"points": [one a channel], "names", "reduced"}``) padded
    to eight bytes, then each channel's times (float64), then each channel's values (float32). Reduced, two
    points a column hold its lowest and highest value; NaN parts stretches that have a gap between them.
    """
    by_name = {c.name: c for c in analysis.channels}
    group = by_name[names[0]].group
    rate_hz = analysis.run.groups[group].rate_hz
    reduced = not rate_hz or (to_s - from_s) * rate_hz > 2 * columns
    if reduced:
        bands = [analysis.envelope(name, from_s, to_s, columns) for name in names]
        times = [_doubled_times(band.time_s) for band in bands]
        values = [np.stack([band.low, band.high], axis=1).ravel() for band in bands]
    else:
        shared, values = _stretches(analysis, names, group, from_s, to_s)
        times = [shared] * len(names)
    about = {"points": [len(t) for t in times], "names": list(names), "reduced": reduced}
    header = json.dumps(about).encode()
    header += b" " * (-(len(header) + 4) % 8)
    parts = [struct.pack("<I", len(header)), header]
    return b"".join(
        parts + [t.astype("<f8").tobytes() for t in times] + [v.astype("<f4").tobytes() for v in values]
    )


def _doubled_times(middle_s: FloatArray) -> FloatArray:
    """Two instants for each column, a quarter of its width to both sides of its middle."""
    if len(middle_s) < 2:
        return np.repeat(middle_s, 2)
    quarter = np.gradient(middle_s) / 4.0
    return np.stack([middle_s - quarter, middle_s + quarter], axis=1).ravel()


def _stretches(
    analysis: RunAnalysis, names: Sequence[str], group: int, from_s: float, to_s: float
) -> tuple[FloatArray, list[FloatArray]]:
    windows = [w for w in analysis.window(from_s, to_s, list(names)) if w.group == group and len(w.time_s)]
    if not windows:
        return np.empty(0), [np.empty(0) for _ in names]
    nothing = np.array([np.nan])
    times: list[FloatArray] = []
    values: list[list[FloatArray]] = [[] for _ in names]
    for window in windows:
        if times:
            times.append(window.time_s[:1])
            for column in values:
                column.append(nothing)
        times.append(window.time_s)
        for column, name in zip(values, names, strict=True):
            column.append(window.values[name])
    return np.concatenate(times), [np.concatenate(column) for column in values]


def overview(desk: Desk, number: int) -> dict[str, Any]:
    """Gather what the Run screen needs before it draws anything."""
    analysis = desk.run(number)
    run = analysis.run
    from_s, to_s = analysis.extent_s() if run.groups else (0.0, 0.0)
    by_unit: dict[tuple[int, str], list[Any]] = {}
    for channel in analysis.channels if run.groups else []:
        by_unit.setdefault((channel.group, channel.unit), []).append(channel)
    gaps = []
    axes = [run.time_axis(group) for group in range(len(run.groups))]
    for gap in run.gaps(most=MOST_GAPS):
        first, last = axes[gap.group].time_s(np.array([gap.first, gap.first + (gap.count or 0)]))
        gaps.append(
            {"from_s": float(first), "to_s": float(last), "count": gap.count, "cause": str(gap.cause)}
        )
    return {
        "run": number,
        "from_s": from_s,
        "to_s": to_s,
        "recording": run.row.state == "recording",
        "plots": [
            {
                "title": _plot_title(unit, channels),
                "unit": unit,
                "rate_hz": run.groups[group].rate_hz,
                "channels": described(channels),
                "limits": limits(analysis.bench.watches, channels),
            }
            for (group, unit), channels in by_unit.items()
        ],
        "gaps": gaps,
        "gap_count": run.gap_count(),
        "notes": notes(analysis),
    }


def _plot_title(unit: str, channels: Sequence[Any]) -> str:
    titles = {"A": "Currents", "V": "Voltages", "°C": "Temperatures"}
    return titles.get(unit, f"In {unit}" if unit else ", ".join(c.name for c in channels[:3]))


def notes(analysis: RunAnalysis) -> list[dict[str, Any]]:
    """List the notes of a run, oldest first, with the time into the run."""
    began = analysis.run.row.started_wall_s
    return [
        {
            "text": str(note.text),
            "source": str(note.source),
            "at_s": float(note.wall_s) - began if note.wall_s is not None else None,
        }
        for note in analysis.run.notes()
    ]


def _cell(quantity: Mapping[str, Any] | None, reason: str) -> dict[str, Any]:
    figure = shown(quantity) if isinstance(quantity, Mapping) else None
    if figure is None:
        return {"value": None, "withheld": reason}
    return {"value": figure.value, "expanded": figure.expanded, "unit": figure.unit}


def figures(analysis: RunAnalysis, from_s: float, to_s: float) -> dict[str, Any]:
    """Figures of a stretch as text for the table below the plot."""
    if to_s - from_s > LONGEST_MEASURED_S:
        return {
            "withheld": f"Figures are worked out for up to {LONGEST_MEASURED_S:.0f} s at a time: zoom in. "
            "For longer stretches: livesense measure."
        }
    measured = analysis.measure(from_s, to_s)
    rows = []
    for name, figures_of in (measured.get("channels") or {}).items():
        cells = [
            _cell(figures_of.get(key), withheld_reason(measured, "channels", name, key)) for key, _ in COLUMNS
        ]
        rows.append({"name": name, "cells": cells, "clipped": figures_of.get("clipped_scans") or 0,
                     "excludes": list(figures_of.get("u_excludes") or [])})  # fmt: skip
    together = []
    for path, label in TOGETHER:
        part, key = path.split(".")
        node = measured.get(part)
        quantity = node.get(key) if isinstance(node, Mapping) else None
        together.append({"label": label} | _cell(quantity, withheld_reason(measured, part, key)))
    return {
        "withheld": None,
        "from_s": measured.get("used_from_s", from_s),
        "to_s": measured.get("used_to_s", to_s),
        "columns": [label for _, label in COLUMNS],
        "rows": rows,
        "together": together,
    }


def _span(analysis: RunAnalysis) -> tuple[float, float]:
    first, last = analysis.extent_s()
    from_s, to_s = request.args.get("from", first, type=float), request.args.get("to", last, type=float)
    if not (math.isfinite(from_s) and math.isfinite(to_s) and from_s < to_s):
        abort(Response("from must lie before to; both in seconds", 400, mimetype="text/plain"))
    return max(from_s, first), min(to_s, last)


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add the routes under ``/api/runs/``."""

    def answered(number: int, make: Any) -> Response:
        try:
            with reading.desk() as desk:
                if desk is None:
                    return Response("there is no logbook yet", 404, mimetype="text/plain")
                made = make(desk)
        except RunNotFoundError as error:
            return Response(str(error), 404, mimetype="text/plain")
        except LivesenseError as error:
            return Response(str(error), 409, mimetype="text/plain")
        if isinstance(made, bytes):
            return Response(made, mimetype="application/octet-stream", headers={"Cache-Control": "no-store"})
        return Response(as_json(made), mimetype="application/json")

    @flask.get("/api/runs/<int:number>")
    def run_overview(number: int) -> Response:
        return answered(number, lambda desk: overview(desk, number))

    @flask.get("/api/runs/<int:number>/samples")
    def run_samples(number: int) -> Response:
        def make(desk: Desk) -> bytes:
            analysis = desk.run(number)
            from_s, to_s = _span(analysis)
            names = request.args.getlist("name")
            known = {c.name: c.group for c in analysis.channels}
            if not names or any(name not in known for name in names):
                abort(Response("name: one or more channels of this run", 400, mimetype="text/plain"))
            if len({known[name] for name in names}) > 1:
                abort(Response("name: channels of one group only", 400, mimetype="text/plain"))
            columns = request.args.get("columns", 1200, type=int)
            return samples(analysis, names, from_s, to_s, min(max(columns, FEWEST_COLUMNS), MOST_COLUMNS))

        return answered(number, make)

    @flask.get("/api/runs/<int:number>/figures")
    def run_figures(number: int) -> Response:
        def make(desk: Desk) -> dict[str, Any]:
            analysis = desk.run(number)
            return figures(analysis, *_span(analysis))

        return answered(number, make)

    @flask.post("/api/runs/<int:number>/notes")
    def add_note(number: int) -> Response:
        said = request.get_json(silent=True)
        text = said.get("text") if isinstance(said, dict) else None
        if not isinstance(text, str) or not text.strip() or len(text) > LONGEST_NOTE:
            reason = f"a note is text of 1 to {LONGEST_NOTE} characters"
            return Response(reason, 400, mimetype="text/plain")

        def make(desk: Desk) -> dict[str, Any]:
            if desk.run(number).run.row.state != "recording":
                abort(Response("notes can be added while a run is recorded", 409, mimetype="text/plain"))
            logbook_requests.ask(reading.path, number, "note", text.strip())
            return {"asked": True}

        return answered(number, make)

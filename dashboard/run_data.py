"""One run for the Run screen: what it is, its samples at any zoom, its figures, its notes."""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from flask import Flask, Response, abort, request

from dashboard.answering import answered
from dashboard.channels import described, limits
from dashboard.clock import when
from dashboard.digits import grouped, lasting
from dashboard.interruptions import holes_of, interruptions
from dashboard.marks import marks
from dashboard.reading import Desk, Reading
from dashboard.run_figures import figures
from dashboard.run_stretches import Stretches
from dashboard.stream import FEWEST_COLUMNS, MOST_COLUMNS
from dashboard.tiles import event_row
from livesense.last_sign import heard, last_sign
from livesense.logbook import requests as logbook_requests
from livesense.logbook.rows import LATER, RunRow
from livesense.samples import FloatArray

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.logbook.run_reader import RunReader

LONGEST_NOTE = 2000
EVENTS_A_PAGE = 25
MOST_EVENTS = 500
"""Events in one answer, whatever was asked for."""


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
    if not reduced:
        # Where raw samples were dropped, what sums them up can still be drawn.
        reduced = analysis.run.is_dropped(group, *analysis.scans_between(group, from_s, to_s))
    if reduced:
        bands = [analysis.envelope(name, from_s, to_s, columns) for name in names]
        times = [_doubled_times(band.time_s) for band in bands]
        values = [np.stack([band.low, band.high], axis=1).ravel() for band in bands]
    else:
        shared, values = _stretches(analysis, names, group, from_s, to_s)
        times = [shared] * len(names)
    holes = holes_of(analysis.run.time_axis(group))
    parted = [_parted(t, v, holes) for t, v in zip(times, values, strict=True)]
    times, values = [t for t, _ in parted], [v for _, v in parted]
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
    step = np.diff(middle_s)
    # The nearer neighbour's: across an outage the other one is far away.
    quarter = np.minimum(np.append(step[:1], step), np.append(step, step[-1:])) / 4.0
    return np.stack([middle_s - quarter, middle_s + quarter], axis=1).ravel()


def _parted(
    time_s: FloatArray, values: FloatArray, holes: Sequence[tuple[float, float]]
) -> tuple[FloatArray, FloatArray]:
    """Put NaN between the points on both sides of each hole in time: nothing is known of what lies there."""
    at = np.unique(np.searchsorted(time_s, [(begin + end) / 2 for begin, end in holes]))
    at = at[(at > 0) & (at < len(time_s))]
    return np.insert(time_s, at, time_s[at]), np.insert(values, at, np.nan)


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
    return {
        "run": number,
        "from_s": from_s,
        "to_s": to_s,
        "recording": run.row.state == "recording",
        "name": run.row.name,
        "started_wall_s": run.row.started_wall_s,
        "what": what(run.row),
        "last_sign": last_sign_text(run),
        "events": run.row.events,
        "plots": plots(analysis),
        "interruptions": interruptions(analysis),
        "notes": notes(analysis),
    }


def plots(analysis: RunAnalysis) -> list[dict[str, Any]]:
    """List what shares a pair of axes: the channels of one group in one unit."""
    run = analysis.run
    by_unit: dict[tuple[int, str], list[Any]] = {}
    for channel in analysis.channels if run.groups else []:
        by_unit.setdefault((channel.group, channel.unit), []).append(channel)
    return [
        {
            "title": _plot_title(unit, channels),
            "unit": unit,
            "group": group,
            "rate_hz": run.groups[group].rate_hz,
            "channels": described(channels),
            "limits": limits(analysis.bench.rules, channels),
        }
        for (group, unit), channels in by_unit.items()
    ]


def _plot_title(unit: str, channels: Sequence[Any]) -> str:
    titles = {"A": "Currents", "V": "Voltages", "°C": "Temperatures"}
    return titles.get(unit, f"In {unit}" if unit else ", ".join(c.name for c in channels[:3]))


def what(row: RunRow) -> str:
    """Say when a run was taken, how long it is, how it ended and what it lost."""
    state = {
        "recording": "being recorded now",
        "complete": "complete",
        "recovered": "recovered: its recorder stopped without closing it",
        "failed": "ended with an error",
    }.get(str(row.state), str(row.state))
    known = None if row.scans_lost is None else f"{grouped(row.scans_lost)} scans known lost"
    lost = known or "losses cannot be counted"
    if not row.seconds:
        return f"{when(row.started_wall_s)} · {state}"
    return f"{when(row.started_wall_s)} · {lasting(row.seconds)} · {state} · {lost}"


def last_sign_text(run: RunReader) -> str:
    """Say when a recorder that stopped without closing its run was last heard of, and what may be missing."""
    sign = last_sign(run)
    if sign is None:
        return ""
    return heard(when(sign.wall_s)) + sign.text


def why_no_scans(run: RunReader) -> str:
    """Say what came instead of scans, as far as the logbook knows."""
    faults = ", ".join(f"{grouped(count)} × {kind}" for kind, count in run.fault_counts().items())
    return f"What came was counted as: {faults}." if faults else ""


def notes(analysis: RunAnalysis) -> list[dict[str, Any]]:
    """List the notes of a run, oldest first, with the time into the run.

    What was added when the run was over belongs to no instant of it: ``at_s`` is None, ``added`` says when.
    """
    rows = marks(analysis, newest=None)
    added = [note for note in analysis.run.notes() if note.source == LATER]
    return rows + [
        {"text": note.text, "label": "", "source": LATER, "at_s": None, "added": when(note.wall_s)}
        for note in added
    ]


def events_page(analysis: RunAnalysis, offset: int, limit: int) -> dict[str, Any]:
    """Gather one page of a run's events, and how many there are in all."""
    count = analysis.run.row.events
    limit = min(max(limit, 1), MOST_EVENTS)
    offset = min(max(offset, 0), max(0, count - 1))
    # Found one after the other, some that began together stand in another order than they began.
    rows = sorted(analysis.events_page(offset, limit), key=lambda row: row["start_s"]) if count else []
    recording = analysis.run.row.state == "recording"
    rows = [event_row(row, recording) | _remark(row) for row in rows]
    return {"count": count, "offset": offset, "rows": rows}


def _remark(event: Mapping[str, Any]) -> dict[str, str]:
    """Return what an event's text adds to the figures that have columns of their own."""
    return {"remark": str(event.get("text", "")).partition("; ")[2]}


def _span(analysis: RunAnalysis) -> tuple[float, float]:
    first, last = analysis.extent_s()
    from_s, to_s = request.args.get("from", first, type=float), request.args.get("to", last, type=float)
    if not (math.isfinite(from_s) and math.isfinite(to_s) and from_s < to_s):
        abort(Response("from must lie before to; both in seconds", 400, mimetype="text/plain"))
    return max(from_s, first), min(to_s, last)


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add the routes under ``/api/runs/``."""

    @flask.get("/api/runs/<int:number>")
    def run_overview(number: int) -> Response:
        return answered(reading, lambda desk: overview(desk, number))

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

        return answered(reading, make)

    @flask.get("/api/runs/<int:number>/figures")
    def run_figures(number: int) -> Response:
        def make(desk: Desk) -> dict[str, Any]:
            analysis = desk.run(number)
            return figures(analysis, *_span(analysis))

        return answered(reading, make)

    stretches = Stretches()

    @flask.get("/api/runs/<int:number>/stretches")
    def run_stretches(number: int) -> Response:
        def make(desk: Desk) -> dict[str, Any]:
            analysis = desk.run(number)
            return stretches.marks(analysis, *_span(analysis))

        return answered(reading, make)

    @flask.get("/api/runs/<int:number>/events")
    def run_events(number: int) -> Response:
        offset = request.args.get("offset", 0, type=int)
        limit = request.args.get("limit", EVENTS_A_PAGE, type=int)
        return answered(reading, lambda desk: events_page(desk.run(number), offset, limit))

    @flask.post("/api/runs/<int:number>/notes")
    def add_note(number: int) -> Response:
        said = request.get_json(silent=True)
        text = said.get("text") if isinstance(said, dict) else None
        if not isinstance(text, str) or not text.strip() or len(text) > LONGEST_NOTE:
            reason = f"a note is text of 1 to {LONGEST_NOTE} characters"
            return Response(reason, 400, mimetype="text/plain")

        def make(desk: Desk) -> dict[str, Any]:
            desk.run(number)
            # A recorder keeps it within a moment; with a run that is over it is kept by now.
            logbook_requests.ask(reading.path, number, "note", text.strip())
            return {"asked": True}

        return answered(reading, make)

"""Calibration against a reference meter from a run's page: the form, the points that wait, what they make."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import html
from flask import Flask, Response, request

from dashboard.answering import answered
from dashboard.digits import fixed, written
from dashboard.plain_input import limits, plain, short_text
from dashboard.reading import Desk, Reading
from dashboard.shell import wild
from dashboard.stream import as_json
from livesense.calibrating import signs_of
from livesense.errors import RunNotFoundError, UsageError
from livesense.logbook import requests as logbook_requests
from livesense.scale_fits import WaitingFit, waiting_fits
from livesense.wording import significant

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.bench import Bench
    from livesense.logbook.rows import PointRow

CAUTION = (
    "Take the power off the drive, prove the DC link dead with a rated meter, then connect a source and the "
    "meter in series with the shunt. Shunts, leads and source get hot. Work by your local codes."
)
HOW = (
    "Let the current settle for two seconds, write what the meter reads, add the point; then another one, "
    "far from it and best of the other sign. One will do where a zero was taken."
)
KINDS = ("zero", "point", "scale", "discard")


def form(analysis: RunAnalysis) -> html.Details:
    """Return the form that adds points, and the place of what waits."""
    first = next((c.name for c in analysis.channels if c.phase == "U" and c.quantity == "current"), "")
    return html.Details(
        [
            html.Summary("Gain against a reference meter"),
            html.P(CAUTION, className="advice"),
            html.P(HOW, className="advice"),
            html.Div(
                [
                    _field(
                        "channels", "Channel", first or "iu", "Of one current through several: iu,-iv", first
                    ),
                    _field("value", "The meter reads", "10.003 A", "Comma or point"),
                    _field("error", "Its limit of error", "0.05 %", 'Such as "0.05 %" or "0.05 % + 2 mA"'),
                    _field("meter", "Meter and range", "reference meter", "Another name is another error"),
                ],
                className="walk-fields",
            ),
            dmc.Button("Add the point", id="point-add", size="sm", variant="filled"),
            html.P("", id="point-answer", className="say", role="status"),
            html.Div(id="points-waiting"),
        ],
        id="calibrate",
        className="budget-of",
    )


def _field(ident: str, label: str, placeholder: str, hint: str, value: str = "") -> html.Div:
    return html.Div(
        dmc.TextInput(
            id=f"point-{ident}",
            label=label,
            description=hint,
            placeholder=placeholder,
            value=value,
            size="sm",
            inputWrapperOrder=["label", "input", "description", "error"],
        ),
        className="walk-field",
        **wild(data_field=ident),
    )


def waiting_told(desk: Desk, bench: Bench) -> dict[str, Any]:
    """Tell the points that wait, each with its residual, and what each channel's make."""
    fits = waiting_fits(desk.logbook, bench, time.time())
    rows = [told for one in fits.values() for told in _points(one)]
    ready = bool(fits) and all(one.fit is not None and one.off is None for one in fits.values())
    return {
        "points": rows,
        "fits": [{"text": _fit(name, one), "bad": one.off is not None} for name, one in fits.items()],
        "ready": ready,
    }


def _points(one: WaitingFit) -> list[dict[str, Any]]:
    # A line goes through two points whatever they are. A zero that joins the fit is its first point.
    told = one.fit is not None and len(one.fit.residuals) > 2
    residuals = one.fit.residuals[-len(one.points) :] if one.fit is not None and told else ()
    return [_point(row, residuals[number] if residuals else None) for number, row in enumerate(one.points)]


def _point(row: PointRow, residual: float | None) -> dict[str, Any]:
    u = ((row.u_relative * row.value) ** 2 + row.u_absolute**2 + row.u_own**2) ** 0.5
    return {
        "number": row.number,
        "channel": row.channel,
        "reference": written(row.value, u, row.unit),
        "code": written(row.code, row.u_code, ""),
        "residual": "" if residual is None else f"{significant(residual, 2)} {row.unit}",
        "meter": row.meter,
    }


def _fit(name: str, one: WaitingFit) -> str:
    if one.fit is None:
        return str(one.why_not).replace(f'channel "{name}"', name)
    if one.off is not None:
        return f"{name}: {one.off}"
    scale, nominal = one.fit.scale, one.channel.per_code or 1.0
    worth = written(1e3 * scale.per_code, 1e3 * abs(scale.per_code) * scale.u_scale, f"m{one.channel.unit}")
    apart = written(100 * (scale.per_code / nominal - 1), 100 * scale.u_scale, "%")
    told = (
        f"{name}: {worth} a code, {apart} from the bench file's, zero at code {fixed(scale.zero_code, 1)}"
        f"{', through the zero that was taken' if one.zero is not None else ''}"
    )
    if len(one.fit.residuals) < 3:
        return f"{told}. How straight it is takes a third point."
    return f"{told}. Largest residual {significant(one.fit.linearity, 2)} {one.channel.unit}."


def read_point(said: Any, bench: Bench) -> str:
    """Read a browser's point into the text of a request; UsageError where it is none."""
    if not isinstance(said, dict):
        raise UsageError("expected an object")
    channels = short_text(said.get("channels"))
    try:
        signs = signs_of(channels, bench)
    except UsageError as error:
        raise UsageError(f"Channel: {error}") from error
    unit = next(c.unit for c in bench.channels if c.name == next(iter(signs)))
    value = plain(short_text(said.get("value")), unit)
    errors = [part for part in limits(short_text(said.get("error"))) if part]
    meter = short_text(said.get("meter")).strip()
    return as_json({"channels": channels, "value": value, "errors": errors, "meter": meter})


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add the routes that ask a run's recorder to calibrate, and those that tell what came of it."""

    def reply(make: Callable[[Desk], dict[str, Any]]) -> Response:
        return answered(reading, make, without=409)

    @flask.get("/api/runs/<int:number>/points")
    def points(number: int) -> Response:
        return reply(lambda desk: waiting_told(desk, desk.run(number).bench))

    @flask.post("/api/runs/<int:number>/point")
    def ask_point(number: int) -> Response:
        said = request.get_json(silent=True)

        def make(desk: Desk) -> dict[str, Any]:
            text = read_point(said, desk.run(number).bench)
            return {"request": logbook_requests.ask(reading.path, number, "point", text)}

        return reply(make)

    @flask.post("/api/runs/<int:number>/discard")
    def ask_discard(number: int) -> Response:
        said = request.get_json(silent=True)

        def make(_: Desk) -> dict[str, Any]:
            point = said.get("point") if isinstance(said, dict) else None
            if not isinstance(point, int):
                raise UsageError("expected which point is to be thrown away")
            text = as_json({"point": point})
            return {"request": logbook_requests.ask(reading.path, number, "discard", text)}

        return reply(make)

    @flask.post("/api/runs/<int:number>/scale")
    def ask_scale(number: int) -> Response:
        return reply(lambda _: {"request": logbook_requests.ask(reading.path, number, "scale")})

    @flask.post("/api/runs/<int:number>/zero")
    def ask_zero(number: int) -> Response:
        return reply(lambda _: {"request": logbook_requests.ask(reading.path, number, "zero")})

    @flask.get("/api/runs/<int:number>/<kind>/<int:asked>")
    def answer(number: int, kind: str, asked: int) -> Response:
        def make(_: Desk) -> dict[str, Any]:
            row = logbook_requests.answer_of(reading.path, asked)
            if kind not in KINDS or row is None or row.run != number or row.kind != kind:
                raise RunNotFoundError("there is no such request")
            return {"answer": row.answer}

        return reply(make)

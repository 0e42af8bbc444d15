"""Pictures of a run on the page: looked at, added, removed; they live in the logbook."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html
from flask import Flask, Response, request

from dashboard.answering import refused
from dashboard.reading import Reading
from dashboard.shell import band, wild
from dashboard.stream import as_json
from livesense.errors import LivesenseError
from livesense.logbook import pictures

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

SUFFIXES = {"image/png": "png", "image/jpeg": "jpg"}


def band_of_pictures(analysis: RunAnalysis) -> html.Section:
    """Return the band; its script fills it."""
    return band(
        "Pictures",
        html.P(
            "Of the bench, the wiring, a label: kept in the logbook, made smaller, without what the camera "
            "wrote into it.",
            className="advice",
        ),
        html.Div(id="run-pictures", className="pictures"),
        html.Div(
            [
                html.Label("Add a picture", htmlFor="picture-file", className="press picture-press"),
                html.Div(id="picture-place"),
                html.P("", id="picture-said", className="caption", role="status"),
            ],
            className="runs-acts",
            **wild(aria_label="Add a picture", role="group"),
        ),
        ident="pictures",
    )


def _listed(rows: list[pictures.PictureRow]) -> dict[str, Any]:
    shown = [{"number": r.number, "name": r.name, "wall_s": r.wall_s, "bytes": r.size} for r in rows]
    return {"pictures": shown, "largest_bytes": pictures.LARGEST_BYTES}


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add the routes under ``/api/runs/N/pictures``."""

    @flask.get("/api/runs/<int:number>/pictures")
    def list_pictures(number: int) -> Response:
        try:
            with reading.desk() as desk:
                rows = pictures.pictures_of(desk.logbook.select, number) if desk is not None else []
        except LivesenseError as error:
            return refused(error)
        return Response(as_json(_listed(rows)), mimetype="application/json")

    @flask.get("/api/runs/<int:number>/pictures/<int:picture>")
    def one_picture(number: int, picture: int) -> Response:
        try:
            with reading.desk() as desk:
                found = (
                    pictures.picture_data(desk.logbook.select, number, picture) if desk is not None else None
                )
        except LivesenseError as error:
            return refused(error)
        if found is None:
            return Response("there is no such picture", 404, mimetype="text/plain")
        media_type, data = found
        answer = Response(data, mimetype=media_type)
        name = f"run-{number}-picture-{picture}.{SUFFIXES[media_type]}"
        answer.headers["Content-Disposition"] = f'inline; filename="{name}"'
        answer.headers["Cache-Control"] = "private, max-age=3600"
        return answer

    @flask.post("/api/runs/<int:number>/pictures")
    def add_picture(number: int) -> Response:
        try:
            made = pictures.add_picture(
                reading.path, number, request.args.get("name", ""), request.get_data(cache=False)
            )
        except LivesenseError as error:
            return refused(error)
        return Response(as_json({"picture": made}), mimetype="application/json")

    @flask.post("/api/runs/<int:number>/pictures/<int:picture>/remove")
    def remove_picture(number: int, picture: int) -> Response:
        try:
            pictures.remove_picture(reading.path, number, picture)
        except LivesenseError as error:
            return refused(error)
        return Response(as_json({"removed": picture}), mimetype="application/json")

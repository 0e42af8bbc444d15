"""The report of a run, to be taken along from its screen: HTML, and PDF where reportlab is installed."""

from __future__ import annotations

import importlib.util
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from dash import html
from flask import Flask, Response

from dashboard.commands import Commands
from dashboard.reading import Reading
from dashboard.shell import band
from livesense.errors import UsageError

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

PATIENCE_S = 600.0
"""A run of weeks takes a while to be read."""

TYPES = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}


def band_of_report(analysis: RunAnalysis) -> html.Section:
    """Return the band: what a report is, and where it is taken."""
    number = analysis.run.row.number
    links = [("html", "Report as HTML")]
    if importlib.util.find_spec("reportlab") is not None:
        links.append(("pdf", "Report as PDF"))
    return band(
        "Hand over",
        html.P(
            "One file with verdicts, figures and their ±, waveforms, budget, and what could not be proven. "
            "It takes some seconds to make.",
            className="advice",
        ),
        html.Div(
            [
                html.A(
                    text,
                    href=f"/api/runs/{number}/report.{kind}",
                    download=f"report-{number}.{kind}",
                    className="press",
                )
                for kind, text in links
            ],
            className="runs-acts",
        ),
        html.P(
            [
                "The same, with a purpose and a name in it: ",
                html.Code(f'livesense report {number} --purpose "…" --by "…"'),
            ],
            className="caption",
        ),
        ident="report",
    )


def add_routes(flask: Flask, reading: Reading, commands: Commands) -> None:
    """Add ``/api/runs/N/report.html`` and ``.pdf``; the command makes them, so that the page goes on."""

    @flask.get("/api/runs/<int:number>/report.<kind>")
    def report(number: int, kind: str) -> Response:
        if kind not in TYPES:
            return Response("expected report.html or report.pdf", 404, mimetype="text/plain")
        with tempfile.TemporaryDirectory(prefix="livesense-") as folder:
            path = Path(folder) / f"report.{kind}"
            words = (str(number), "--logbook", str(reading.path), "--out", str(path))
            try:
                # 1: made, but a figure is not within its limits.
                commands.ask("report", *words, patience_s=PATIENCE_S, code=(0, 1))
                data = path.read_bytes()
            except UsageError as error:
                return Response(str(error), 409, mimetype="text/plain")
        answer = Response(data, content_type=TYPES[kind])
        # Never shown within the page's own origin: it is a file to hand over.
        answer.headers["Content-Disposition"] = f'attachment; filename="report-{number}.{kind}"'
        return answer

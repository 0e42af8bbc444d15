"""The screen that starts, watches and stops recorders; the browser's own script fills it."""

from __future__ import annotations

import json
from typing import Any

import dash_mantine_components as dmc
from dash import html

from dashboard.benches import Benches
from dashboard.calibration import zero_form
from dashboard.record_data import LONGEST_NOTE
from dashboard.recorders import LONGEST_NAME
from dashboard.shell import band, wild, worded

CAUTION = (
    "Opening a port can reset a board, and a board that resets can switch a drive: take its power off first, "
    "and prove the bus dead with a rated meter. livesense only listens; it starts no motor and stops none. "
    "Stop a recording here and the motor goes on: keep a hardware stop in reach."
)
NO_BENCH = (
    "This page was started without a bench file. Start it anew with one, then runs can be started from here: "
    "`livesense serve --bench pump.toml`. `livesense init pump.toml` writes one to begin with. What "
    "is started in a terminal, with `livesense record pump.toml`, is seen here as well."
)
METER = (
    "Write what a meter at the same conductor shows now, and its limit of error. The newest two seconds "
    "are held against it: rms of a phase current, else the mean. The answer is noted with the run. Clamp "
    "and leads only on conductors and at voltages they are rated for."
)


def record(benches: Benches) -> html.Div:
    """Return the Record screen."""
    return html.Div(
        [
            html.H1("Record", className="aloud"),
            band(
                "Now",
                html.P("Looking.", className="say", id="rec-say", role="status"),
                html.P("\u00a0", className="advice", id="rec-advice"),
                html.Div(id="rec-runs", className="rec-runs"),
                html.Div(
                    id="rec-ends", className="rec-ends", role="log", **wild(aria_label="How recorders ended")
                ),
                ident="now",
            ),
            _start(benches),
            band(
                "Line",
                html.P(
                    "Not sure what comes over a port? Listen to it for some seconds: what it carries, on "
                    "what evidence, and a bench file to start from.",
                    className="advice",
                ),
                dmc.Button("Identify", id="rec-identify", size="sm", variant="default"),
                html.P("", id="rec-carries", className="rec-answer", role="status"),
                html.Div(id="rec-evidence", className="rec-evidence"),
                ident="line",
            ),
            html.Div(_while(), id="rec-while", className="rec-while"),
        ],
        **wild(data_screen="record"),
    )


def _start(benches: Benches) -> html.Section:
    files = [{"value": str(file.number), "label": file.path.name} for file in benches.files]
    fields = html.Div(
        [
            field("rec-bench", "Bench file", choices=json.dumps(files)),
            field("rec-port", "Port", choices="[]"),
            field("rec-name", "Name of the run", example="such as: new shunts, cold", most=str(LONGEST_NAME)),
        ],
        className="fields",
    )
    return band(
        "Start",
        html.P(worded(CAUTION if files else NO_BENCH), className="advice"),
        fields,
        html.Div(
            [
                dmc.Button("Start recording", id="rec-start", size="sm", variant="filled"),
                dmc.Button("List the ports again", id="rec-list", size="sm", variant="default"),
            ],
            className="controls",
        ),
        html.P("", id="rec-started", className="rec-answer", role="status"),
        ident="start",
    )


def _while() -> list[Any]:
    return [
        band(
            "Notes",
            _for_which(),
            html.Div(field("rec-run", "Run", choices="[]"), id="rec-which", hidden=True),
            html.Div(
                [
                    field("rec-note", "Note", example="such as: valve half open", most=str(LONGEST_NOTE)),
                    dmc.Button("Add", id="rec-add", size="sm", variant="filled"),
                    dmc.Button("Mark now", id="rec-mark", size="sm", variant="default"),
                ],
                className="note-form",
            ),
            html.P("", id="rec-noted", className="rec-answer", role="status"),
            html.Div(id="rec-notes", className="plain-list rec-notes"),
            ident="notes",
        ),
        band(
            "Meter",
            html.P(METER, className="advice"),
            _for_which(),
            html.Div(
                [
                    field("rec-channel", "Channel", choices="[]"),
                    field("rec-value", "The meter says", example="4.10 A", most="80"),
                    field("rec-error", "Its limit of error", example="1.5 %", most="80"),
                ],
                className="fields",
            ),
            dmc.Button("Compare", id="rec-compare", size="sm", variant="filled"),
            html.P("", id="rec-agrees", className="rec-answer tall", role="status"),
            ident="meter",
        ),
        band("Zeros", _for_which(), *zero_form(), ident="zeros"),
    ]


def _for_which() -> html.P:
    """Keep the place where the script says which run the buttons below act on."""
    return html.P("\u00a0", className="caption rec-for")


def field(ident: str, label: str, **more: str) -> html.Div:
    """Reserve the place of a field; the browser's script makes it."""
    words = {f"data_{key}": text for key, text in more.items()}
    return html.Div(className="field", **wild(data_field=ident, data_label=label, **words))

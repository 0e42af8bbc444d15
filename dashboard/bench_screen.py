"""The screen of a bench file as a form; the browser's own script fills it."""

from __future__ import annotations

from dash import dcc, html

from dashboard.benches import Benches
from dashboard.shell import band, wild, worded

NONE = (
    "This page was started without a bench file. Start it anew with one, then it can be edited here: "
    "`livesense serve --bench pump.toml`. `livesense init pump.toml` writes one to begin with; Identify, "
    "on [Record], makes one of what comes over a port."
)
ABOUT = (
    "What is wired to what. Runs that are being recorded go on with the file as it was; the next one takes "
    "it as it is saved. Port and what is sent there are changed in an editor only."
)


def bench(benches: Benches, number: int) -> html.Div:
    """Return the Bench screen for one of the files."""
    if not benches.files:
        return html.Div(
            [
                html.H1("Bench", className="aloud"),
                band(
                    "Bench",
                    html.P("No bench file.", className="say"),
                    html.P(worded(NONE), className="advice"),
                    ident="now",
                ),
            ]
        )
    file = benches.files[number]
    others = [
        dcc.Link(other.path.name, href=f"/bench/{other.number}", className="bench-other")
        for other in benches.files
        if other is not file
    ]
    return html.Div(
        [
            html.H1("Bench", className="aloud"),
            band(
                "File",
                html.P(file.path.name, className="say", id="bench-name"),
                html.P(ABOUT, className="advice"),
                html.P(["Other files: ", *others], className="advice") if others else None,
                html.P("Reading it.", className="rec-answer", id="bench-state", role="status"),
                html.P(
                    [
                        html.A("Bench card to print (A4)", href=f"/bench-card/{number}", target="_blank"),
                        " ",
                        html.A("on letter paper", href=f"/bench-card/{number}?paper=letter", target="_blank"),
                    ],
                    className="advice bench-cards",
                ),
                ident="now",
            ),
            html.Div(id="bench-form", className="bench-form"),
            html.Div(
                [
                    html.P("\u00a0", id="bench-changes"),
                    html.Button("Undo all", id="bench-undo", className="choice", type="button"),
                    html.Button("Save", id="bench-save", className="choice strong", type="button"),
                ],
                className="bench-bar",
                role="group",
                **wild(aria_label="Changes"),
            ),
        ],
        **wild(data_screen="bench", data_bench=str(number)),
    )

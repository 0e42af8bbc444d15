"""Screens as Dash components; the browser's own scripts fill what moves."""

from __future__ import annotations

from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.figures import CONFIG, axes
from dashboard.shell import band, wild


def graph(
    ident: str,
    figure: dict[str, Any],
    label: str,
    before: str = "",
    tall: bool = False,
    waiting: bool = False,
) -> html.Div:
    """Put a graph under its canvas; ``before`` are words that stand there until a first picture comes.

    ``waiting`` hides it without words until then: its axes have no colours of the page before that.
    """
    waiting = waiting or bool(before)
    return html.Div(
        [
            dcc.Graph(id=ident, figure=figure, config=CONFIG, className="graph", responsive=True),
            html.Canvas(className="ink", **wild(aria_hidden="true")),
            *([html.P(before, className="before")] if before else []),
        ],
        className=" ".join(["sheet", *(["waiting"] if waiting else []), *(["tall"] if tall else [])]),
        role="figure",
        **wild(aria_label=label),
    )


def small(ident: str, title: str, shape: str) -> html.Div:
    """Put a small picture under its heading, with the words that say what it shows."""
    return html.Div(
        [
            html.H3(title),
            html.Canvas(role="img", **wild(aria_label=title)),
            html.P("\u00a0", className="small-words"),
        ],
        className=f"small {shape}",
        id=ident,
    )


def live() -> html.Div:
    """Return the Live screen."""
    controls = html.Div(
        [
            dmc.SegmentedControl(
                id="live-kind",
                value="steady",
                data=[{"value": "steady", "label": "Steady"}, {"value": "running", "label": "Running"}],
                size="sm",
                **wild(aria_label="Picture"),
            ),
            dmc.SegmentedControl(
                id="live-span",
                value="2",
                data=[{"value": s, "label": f"{s} s"} for s in ("0.2", "2", "10")],
                size="sm",
                **wild(aria_label="Width of a running picture"),
            ),
            dmc.Button("Pause", id="live-pause", size="sm", n_clicks=0, variant="filled", disabled=True),
            html.Button("?", id="live-keys", type="button", className="press", **wild(aria_label="Keys")),
        ],
        className="controls",
        role="group",
        **wild(aria_label="Picture"),
    )
    return html.Div(
        [
            html.H1("Live", className="aloud"),
            html.Section(
                [
                    html.Div(html.H2("Now", className="margin-name"), className="margin"),
                    html.Div(
                        [
                            html.P("Reading the logbook.", className="say", id="say"),
                            html.P("\u00a0", className="advice", id="advice"),
                        ],
                        className="matter",
                    ),
                ],
                className="band headline",
                id="headline",
                **wild(data_tone="note", aria_label="What is going on"),
            ),
            band(
                "Phase currents",
                html.Div(
                    [html.P("\u00a0", className="caption", id="live-caption"), controls], className="row"
                ),
                html.Div(
                    [
                        graph(
                            "live-graph",
                            axes("ms", "A", (0, 60), (-10, 10)),
                            "Phase currents against time",
                            before="The picture comes with the first samples.",
                        ),
                        html.Div(id="phases", className="phases"),
                    ],
                    className="scope",
                ),
                html.P("\u00a0", className="live-said", id="live-said"),
                ident="picture",
            ),
            band(
                "Figures",
                html.P("\u00a0", className="caption", id="figures-date"),
                html.Div(id="tiles", className="tiles"),
                html.Ul(id="withheld", className="withheld"),
                ident="figures",
            ),
            band(
                "Phasors and trend",
                html.Div(
                    [
                        small("phasors", "Phasors", "square"),
                        small("locus", "Path of the current vector", "square"),
                        small("trend", "The last minutes", "wide"),
                    ],
                    className="vectors",
                ),
                ident="shape",
            ),
            html.Div(
                [
                    band("Events", html.Div(id="events", className="events"), ident="latest"),
                    band("Link", html.Dl(id="link", className="link"), ident="health"),
                ],
                className="pair",
            ),
        ],
        **wild(data_screen="live"),
    )

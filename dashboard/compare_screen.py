"""The screen of two runs side by side as Dash components; the browser's own script fills it."""

from __future__ import annotations

from dash import html

from dashboard.figures import axes
from dashboard.screens import graph
from dashboard.shell import band, wild
from livesense.logbook.rows import RunRow

MOVES = (("earlier", "Earlier"), ("later", "Later"), ("closer", "Closer"), ("wider", "Wider"))


def compare(first: RunRow, second: RunRow) -> html.Div:
    """Return the screen of two runs; what takes room is there from the beginning."""
    title = f"Run {first.number} and run {second.number}"
    return html.Div(
        [
            html.H1(title, className="aloud"),
            band(
                title,
                html.P("Comparing them.", className="say", id="compare-say"),
                html.P("\u00a0", className="advice", id="compare-advice"),
                html.P(
                    html.Button("Swap them", id="compare-swap", type="button", className="press"),
                    className="compare-swap",
                ),
                ident="compare-what",
            ),
            band(
                "Overlaid",
                html.Div(
                    [
                        html.P("\u00a0", className="caption", id="compare-caption"),
                        html.Div(
                            id="compare-channels",
                            className="choices",
                            role="group",
                            **wild(aria_label="Channel"),
                        ),
                        html.Div(
                            [
                                html.Button(text, id=f"compare-{key}", type="button", className="press")
                                for key, text in MOVES
                            ],
                            className="controls",
                            role="group",
                            **wild(aria_label="Stretch"),
                        ),
                    ],
                    className="row",
                ),
                html.Div(
                    [
                        html.Span("Laid over one another where", className="caption"),
                        html.Div(
                            id="compare-align",
                            className="choices",
                            role="group",
                            **wild(aria_label="Laid over one another where"),
                        ),
                    ],
                    className="row compare-align",
                ),
                graph(
                    "compare-graph",
                    axes("s", "", (-0.01, 0.05), (-1, 1)),
                    "Both runs against time",
                    before="The picture comes with the samples of both.",
                ),
                html.Div(id="compare-legend", className="legend"),
                ident="compare-picture",
            ),
            band(
                "Figures",
                html.Div(id="compare-pairs", className="compare-pairs"),
                ident="compare-figures",
            ),
            band("What changed", html.Div(id="compare-changed", className="compare-list"), ident="changed"),
            band(
                "Conditions",
                html.Div(id="compare-conditions", className="compare-list"),
                ident="compare-conditions-band",
            ),
        ],
        **wild(data_screen="compare", data_first=str(first.number), data_second=str(second.number)),
    )

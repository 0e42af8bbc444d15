"""The screen of one run as Dash components; the browser's own scripts fill it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import html

from dashboard.figures import axes
from dashboard.run_data import what
from dashboard.screens import graph, small
from dashboard.shell import band, wild, worded
from dashboard.ways import START
from livesense.budget_facts import COLUMNS, alike, cells, headline
from livesense.logbook.rows import RunRow

STRIPS_WITHOUT_HEIGHT = 3
"""So many strips have room in a graph of the common height."""


def run(
    row: RunRow,
    plots: Sequence[Mapping[str, Any]],
    why: str = "",
    budgets: Mapping[str, dict[str, Any] | None] | None = None,
    more: Sequence[html.Section] = (),
    sign: str = "",
) -> html.Div:
    """Return the screen of one run.

    ``plots`` are those of :func:`dashboard.run_data.plots`, none where the run holds no scans; ``why`` is
    what is known of why it holds none. ``budgets`` are those of the channels, by name; ``more`` are bands
    that stand before them. ``sign`` tells of a recorder that stopped without closing the run.
    """
    head = band(
        f"Run {row.number}",
        html.P(row.name, className="say"),
        html.P(what(row), className="advice", id="run-what"),
        html.P(sign, className="advice", id="run-last-sign", hidden=not sign),
        ident="what",
    )
    notes = band(
        "Notes",
        html.Div(
            [
                dmc.TextInput(id="note-text", label="Add a note", size="sm", w="100%"),
                dmc.Button("Add", id="note-add", size="sm", variant="filled"),
            ],
            className="note-form",
        ),
        _paged("notes", "Pages of notes"),
        html.Div(id="run-notes", className="plain-list"),
        ident="notes",
    )
    interruptions = band(
        "Interruptions", html.Div(id="run-interruptions", className="plain-list"), ident="interruptions"
    )
    return html.Div(
        [html.H1(f"Run {row.number}", className="aloud"), head]
        + (_bands_of_scans(plots) if plots else [_no_scans(row, why)])
        + [interruptions, notes, *more, *_budgets(budgets or {})],
        **wild(data_screen="run", data_run=str(row.number), data_holds_scans="yes" if plots else "no"),
    )


def _budgets(budgets: Mapping[str, dict[str, Any] | None]) -> list[html.Section]:
    """Tell where the ± of the figures come from, a table for channels with one and the same budget."""
    tables = [_budget(names, budget) for names, budget in alike(budgets)]
    if not tables:
        return []
    said = "The largest errors first. Noise and the rounding of codes come on top; they average down."
    return [band("Uncertainty", html.P(said, className="advice"), *tables, ident="uncertainty")]


def _budget(names: Sequence[str], budget: Mapping[str, Any]) -> html.Details:
    rows = []
    for source, *values in map(cells, budget["rows"]):
        rows.append(html.Tr([html.Th(source, scope="row"), *map(html.Td, values)]))
    columns = [name[:1].upper() + name[1:] if len(name) > 1 else name for name in COLUMNS]
    missing = ", ".join(budget["not_stated"])
    return html.Details(
        [
            html.Summary(f"{', '.join(names)} {headline(budget)}"),
            html.Div(
                html.Table(
                    [html.Thead(html.Tr([html.Th(c, scope="col") for c in columns])), html.Tbody(rows)]
                ),
                className="run-figures budget",
                tabIndex="0",
                role="region",
                **wild(aria_label=f"Uncertainty of {', '.join(names)}"),
            ),
            html.P(f"Not stated, so not in it: {missing}.", className="advice") if missing else None,
        ],
        className="budget-of",
    )


def _no_scans(row: RunRow, why: str) -> html.Section:
    if str(row.state) == "recording":
        said, do = (
            "This run holds no scans yet.",
            "The first scan that comes opens its picture here by itself.",
        )
    else:
        said = "This run holds no scans."
        do = "Nothing that came from the port was a scan."
    look = (
        "Does the board run? Do wire and baud in [link] of the bench file fit it? Identify, on [Record], "
        f"tells what the port carries. Try again {START}."
    )
    return band(
        "Scans",
        html.P(said, className="say", id="run-no-scans"),
        html.P(f"{do} {why}".strip(), className="advice"),
        html.P(worded(look), className="advice"),
        ident="scans",
    )


def _first_shown(plots: Sequence[Mapping[str, Any]]) -> int:
    """Give the plot that a run opens with: currents, where there are any."""
    currents = (n for n, p in enumerate(plots) if any(c["quantity"] == "current" for c in p["channels"]))
    return next(currents, 0)


def _bands_of_scans(plots: Sequence[Mapping[str, Any]]) -> list[html.Section]:
    # What takes room is there from the beginning: nothing moves when the browser's scripts fill it.
    first = _first_shown(plots)
    tall = len(plots[first]["channels"]) > STRIPS_WITHOUT_HEIGHT
    choices = [
        html.Button(
            plot["title"], className="choice", type="button", **wild(aria_pressed=str(n == first).lower())
        )
        for n, plot in enumerate(plots)
    ]
    moves = [
        ("whole", "Whole run"), ("earlier", "Earlier"), ("later", "Later"),
        ("closer", "Closer"), ("wider", "Wider"),
    ]  # fmt: skip
    return [
        band(
            "Overview",
            html.Div(
                html.Canvas(className="strip-ink", **wild(aria_hidden="true")),
                id="strip",
                className="strip",
                tabIndex="0",
                role="slider",
                **wild(
                    aria_label="Stretch shown below; arrows move it, plus and minus change its length",
                    aria_valuemin="0",
                    aria_valuemax="100",
                    aria_valuenow="0",
                ),
            ),
            html.Div([html.Span(id="strip-from"), html.Span(id="strip-to")], className="strip-ends"),
            ident="overview",
        ),
        band(
            "Waveform",
            html.Div(
                [
                    html.P("\u00a0", className="caption", id="run-caption"),
                    html.Div(
                        choices,
                        id="run-plots",
                        className="choices",
                        role="group",
                        **wild(aria_label="Channels"),
                    ),
                    html.Div(
                        [
                            dmc.Button(text, id=f"run-{key}", size="sm", variant="default")
                            for key, text in moves
                        ],
                        className="controls",
                        role="group",
                        **wild(aria_label="Stretch"),
                    ),
                ],
                className="row",
            ),
            graph(
                "run-graph",
                axes("s into the run", "", (0, 1), (-1, 1)),
                "Samples of this run against time",
                tall=tall,
                waiting=True,
            ),
            html.Div(id="run-legend", className="legend"),
            html.Div(
                [
                    html.Button(text, id=ident, type="button", className="press")
                    for ident, text in (
                        ("run-copy-picture", "Copy picture"),
                        ("run-save-svg", "Save as SVG"),
                        ("run-copy-table", "Copy figures"),
                    )
                ]
                + [html.P("", id="run-copied", className="caption", role="status")],
                className="run-take",
                role="group",
                **wild(aria_label="Take along"),
            ),
            ident="waveform",
        ),
        band(
            "Figures",
            html.Div(
                html.P("Working them out.", className="advice"),
                id="run-figures",
                className="run-figures",
            ),
            ident="figures",
        ),
        band(
            "Phasors",
            html.Div(
                [
                    small("phasors", "Phasors", "square"),
                    small("locus", "Path of the current vector", "square"),
                ],
                className="vectors",
            ),
            ident="shape",
        ),
        band(
            "Stretches",
            html.P("Looking for them.", className="caption", id="run-stretches-said", role="status"),
            html.Div(id="run-stretches", className="plain-list run-stretches"),
            ident="stretches",
        ),
        band(
            "Events",
            _paged("events", "Pages of events"),
            html.Div(id="run-events", className="run-events"),
            ident="events-of-run",
        ),
    ]


def _paged(of: str, label: str) -> html.Div:
    """Say how many there are, with buttons for their pages."""
    ways = ("first", "before", "after", "last")
    return html.Div(
        [
            html.P("Reading them.", className="caption", id=f"run-{of}-count", role="status"),
            html.Div(
                [
                    html.Button(way.capitalize(), id=f"run-{of}-{way}", className="choice", type="button")
                    for way in ways
                ],
                className="choices",
                id=f"run-{of}-pages",
                role="group",
                hidden=True,
                **wild(aria_label=label),
            ),
        ],
        className="row",
    )

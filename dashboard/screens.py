"""Screens as Dash components; the browser's own scripts fill what moves."""

from __future__ import annotations

from typing import Any

import dash_ag_grid as dag
import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.digits import grouped, lasting
from dashboard.figures import CONFIG, axes
from dashboard.run_data import when
from dashboard.shell import band, wild
from livesense.logbook.rows import RunRow

GRID_OPTIONS: dict[str, Any] = {
    "suppressCellFocus": False,
    "domLayout": "autoHeight",
    "headerHeight": 40,
    "rowHeight": 40,
    "suppressColumnVirtualisation": True,
    "ensureDomOrder": True,
}


def graph(ident: str, figure: dict[str, Any], label: str, before: str = "", tall: bool = False) -> html.Div:
    """Put a graph under its canvas; ``before`` are words that stand there until a first picture comes."""
    return html.Div(
        [
            dcc.Graph(id=ident, figure=figure, config=CONFIG, className="graph", responsive=True),
            html.Canvas(className="ink", **wild(aria_hidden="true")),
            *([html.P(before, className="before")] if before else []),
        ],
        className=" ".join(["sheet", *(["waiting"] if before else []), *(["tall"] if tall else [])]),
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


def runs_grid(rows: list[RunRow]) -> list[dict[str, Any]]:
    """Rows of the table of runs; everything that comes from a device or a user is text."""
    return [
        {
            "id": str(row.number),
            "run": row.number,
            "name": row.name,
            "started": when(row.started_wall_s),
            "seconds": row.seconds,
            "lasted": lasting(row.seconds) if row.seconds is not None else "",
            "state": str(row.state),
            "channels": ", ".join(row.channels),
            "events": row.events,
            "lost": "not countable" if row.scans_lost is None else grouped(row.scans_lost),
        }
        for row in rows
    ]


def runs(rows: list[RunRow]) -> html.Div:
    """Return the Runs screen."""
    columns = [
        {"field": "run", "headerName": "Run", "width": 84, "cellRenderer": "RunLink", "sort": "desc"},
        {
            "field": "name",
            "headerName": "Name",
            "flex": 2,
            "minWidth": 120,
            "cellRenderer": "RunName",
            "autoHeight": True,
            "wrapText": True,
        },
        {"field": "started", "headerName": "Started", "width": 184},
        {"field": "seconds", "headerName": "Length", "width": 128, "cellRenderer": "RunLength"},
        {"field": "state", "headerName": "State", "width": 120},
        {
            "field": "channels",
            "headerName": "Channels",
            "flex": 3,
            "minWidth": 150,
            "cellClass": "run-channels",
            "autoHeight": True,
            "wrapText": True,
        },
        {"field": "events", "headerName": "Events", "width": 100, "type": "rightAligned"},
        {"field": "lost", "headerName": "Scans lost", "width": 130, "type": "rightAligned"},
    ]
    empty = html.P(
        "No run yet. Start one with: livesense record BENCH.toml", className="advice", id="runs-empty",
        hidden=bool(rows),
    )  # fmt: skip
    return html.Div(
        [
            html.H1("Runs", className="aloud"),
            band(
                "Runs",
                empty,
                dag.AgGrid(
                    id="runs-grid",
                    rowData=runs_grid(rows),
                    columnDefs=columns,
                    defaultColDef={"sortable": True, "resizable": True, "suppressHeaderMenuButton": True},
                    dashGridOptions=GRID_OPTIONS | {"theme": {"function": "livesenseGrid(themeQuartz)"}},
                    getRowId="params.data.id",
                    className="grid",
                    style={"height": None},
                    eventListeners={
                        "cellKeyDown": ["livesenseOpenRun(params)"],
                        "gridSizeChanged": ["livesenseFitRuns(params)"],
                    },
                ),
                ident="list",
            ),
            dcc.Interval(id="runs-again", interval=3000),
        ],
        **wild(data_screen="runs"),
    )

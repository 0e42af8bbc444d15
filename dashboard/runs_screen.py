"""The Runs screen: all runs of the logbook, found by words, chosen to be compared or deleted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import dash_ag_grid as dag
import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.clock import when
from dashboard.digits import grouped, lasting
from dashboard.shell import band, wild, worded
from dashboard.ways import START
from livesense.logbook.rows import RunRow
from livesense.wording import counted

GRID_OPTIONS: dict[str, Any] = {
    "suppressCellFocus": False,
    # Words above the table say why it is empty and what to do.
    "suppressNoRowsOverlay": True,
    "domLayout": "autoHeight",
    "headerHeight": 40,
    "rowHeight": 40,
    "suppressColumnVirtualisation": True,
    "ensureDomOrder": True,
    "rowSelection": {
        "mode": "multiRow",
        "checkboxes": True,
        "headerCheckbox": False,
        "enableClickSelection": False,
    },
    "selectionColumnDef": {
        "headerName": "Chosen",
        "width": 44,
        "minWidth": 44,
        "maxWidth": 44,
        "resizable": False,
    },
}


def runs_grid(rows: list[RunRow], found: Mapping[int, str] | None = None) -> list[dict[str, Any]]:
    """Rows of the table of runs; everything that comes from a device or a user is text.

    ``found`` says of runs what of them was looked for and stands in no column.
    """
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
            "found": (found or {}).get(row.number, ""),
            "lost": "not countable" if row.scans_lost is None else grouped(row.scans_lost),
        }
        for row in rows
    ]


def count_text(shown: int, all_of_them: int) -> str:
    """Say how many runs are listed."""
    if shown == all_of_them:
        return counted(all_of_them, "run", write=grouped)
    return f"{grouped(shown)} of {counted(all_of_them, 'run', write=grouped)}"


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
    return html.Div(
        [
            html.H1("Runs", className="aloud"),
            band(
                "Runs",
                html.Div(
                    [
                        dmc.TextInput(
                            id="runs-find",
                            label="Find by name, note, date, channel or event",
                            placeholder="valve 2026-11 overcurrent",
                            size="sm",
                            debounce=250,
                            value="",
                        ),
                        dmc.Checkbox(id="runs-with-events", label="With events only", checked=False, mb=8),
                    ],
                    className="runs-find",
                    role="search",
                ),
                html.Div(
                    [
                        html.Button("Compare two", id="runs-compare", type="button", className="press"),
                        html.Button("Delete …", id="runs-delete", type="button", className="press"),
                        html.P(
                            count_text(len(rows), len(rows)),
                            className="caption",
                            id="runs-count",
                            role="status",
                        ),
                        html.P("", className="caption", id="runs-said", role="status"),
                    ],
                    className="runs-acts",
                    id="runs-acts",
                    **wild(data_chosen="0"),
                ),
                html.P(
                    worded(
                        f"No run yet. Start one {START}. A recording made elsewhere becomes a run by "
                        "`livesense import`."
                    ),
                    className="advice",
                    id="runs-empty",
                    hidden=bool(rows),
                ),
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

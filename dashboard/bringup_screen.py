"""The screen that leads through a bring-up; the browser's own script judges stage by stage."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.record_screen import field
from dashboard.shell import band, wild, worded
from livesense.bench import Bench
from livesense.bringup.stages import GUIDES, SURE, Guide, Stage, expected
from livesense.logbook.rows import RunRow, StageRow

WORDS = {"passed": "Passed", "failed": "Not passed", "undecided": "Undecided"}
CAUTIONS = (
    "livesense looks on: it switches nothing, and a stage that passed here proves nothing safe. Work by your "
    "local codes and with qualified people; a DC bus stays charged after power-off."
)


def no_bringup(why: str, how: str) -> html.Div:
    """Return the screen while there is no run to judge."""
    return html.Div(
        [
            html.H1("Bring-up", className="aloud"),
            band(
                "Now",
                html.P(why, className="say"),
                html.P(worded(how), className="advice"),
                ident="now",
            ),
            band("Before power", html.P(CAUTIONS, className="advice"), ident="cautions"),
        ],
        **wild(data_screen="bringup"),
    )


def bringup(row: RunRow, bench: Bench, others: Sequence[int], judged: Collection[str] = ()) -> html.Div:
    """Return the screen for a run that is being recorded; ``judged`` are stages whose verdicts it keeps."""
    more: list[Any] = ["Recorded too: "]
    for number in others:
        more += [dcc.Link(f"run {number}", href=f"/bringup/{number}"), " "]
    return html.Div(
        [
            html.H1("Bring-up", className="aloud"),
            band(
                "Now",
                html.P("From no power to a motor that stands again.", className="say", id="bring-say"),
                html.P(
                    f"Judged on run {row.number}{f' “{row.name}”' if row.name else ''} of {row.bench_name}, "
                    f"which is being recorded now from {row.port}; every verdict is kept with it, and the "
                    "newest of a stage counts.",
                    className="advice",
                ),
                html.P(more, className="advice") if others else None,
                ident="now",
            ),
            band(
                "Before power",
                html.P(CAUTIONS, className="advice"),
                dmc.Checkbox(id="bring-sure", label=SURE),
                ident="cautions",
            ),
            band(
                "Stages",
                html.Ol(
                    [_stage(one, bench, row, str(one.stage) in judged) for one in GUIDES],
                    className="bring-stages",
                ),
                ident="stages",
            ),
        ],
        **wild(data_screen="bringup", data_run=str(row.number)),
    )


def _stage(one: Guide, bench: Bench, row: RunRow, judged: bool) -> html.Li:
    name = str(one.stage)
    walk = one.stage is Stage.WALK
    ask = [field(f"bring-{name}-given", one.asks, example=one.example, most="80")] if one.asks else []
    link = [dcc.Link("Go to the walk", href=f"/walk/{row.number}", className="bring-walk")] if walk else []
    return html.Li(
        [
            html.H3(one.title, id=f"bring-{name}-name"),
            html.Div(
                [
                    html.P(one.do),
                    html.P(one.caution, className="bring-caution"),
                    html.P([html.B("Expected: "), expected(bench, one.stage)], className="bring-expected"),
                    *ask,
                    *link,
                ],
                className="bring-do",
            ),
            dmc.Button(
                # Several may be recorded, and the line that names this one is far above.
                "Look at the walks" if walk else f"Judge run {row.number} now",
                id=f"bring-{name}-judge",
                size="sm",
                variant="filled",
                **wild(
                    aria_label=f"Look at the walks for run {row.number}"
                    if walk
                    else f"Judge run {row.number} now: {one.title}"
                ),
            ),
            html.Div(
                "",
                className="bring-verdict open" if judged else "bring-verdict",
                id=f"bring-{name}-verdict",
                role="status",
            ),
        ],
        id=f"bring-{name}",
        **wild(data_stage=name),
    )


def kept_band(rows: Sequence[StageRow]) -> list[html.Section]:
    """Show the verdicts that a run keeps; nothing where there are none."""
    if not rows:
        return []
    titles = {str(one.stage): one.title for one in GUIDES}
    newest = {row.stage: row for row in rows}
    body = [
        html.Tr(
            [
                html.Th(title, scope="row"),
                html.Td(WORDS.get(newest[stage].verdict, newest[stage].verdict)),
                html.Td(worded(newest[stage].text)),
            ]
        )
        for stage, title in titles.items()
        if stage in newest
    ]
    head = html.Tr([html.Th(text, scope="col") for text in ("Stage", "Verdict", "Why")])
    table = html.Div(
        html.Table([html.Thead(head), html.Tbody(body)]),
        className="run-figures run-scroll bench-table bring-kept",
        tabIndex="0",
        role="region",
        **wild(aria_label="Verdicts of the bring-up"),
    )
    return [band("Bring-up", table, ident="bring-up-of-run")]

"""The screen that leads through the known-current walk; the browser's own script fills it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.shell import band, wild, worded
from livesense.logbook.rows import RunRow
from livesense.walk.steps import Step
from livesense.walk.words import CAUTION, SURE, instruction

STEPS = (None, Step("U", "V"), Step("V", "W"), Step("W", "U"))
MORE = "W-U"
"""The step that may be left out."""


def no_walk(why: str, how: str) -> html.Div:
    """Return the screen while there is no run to walk on."""
    return html.Div(
        [
            html.H1("Walk", className="aloud"),
            band(
                "Now",
                html.P(why, className="say"),
                html.P(worded(how), className="advice"),
                ident="now",
            ),
            _cautions(),
        ],
        **wild(data_screen="walk"),
    )


def walk(row: RunRow, names: Sequence[str], left: dict[str, str], others: Sequence[int]) -> html.Div:
    """Return the screen for a run that is being recorded; ``names`` are the channels it reaches."""
    return html.Div(
        [
            html.H1("Walk", className="aloud"),
            _which(row, names, left, others),
            _cautions(_sure()),
            _pushed(),
            _steps(),
            _verdict(),
        ],
        **wild(data_screen="walk", data_run=str(row.number), data_began=f"{row.started_wall_s:.3f}"),
    )


def _which(row: RunRow, names: Sequence[str], left: dict[str, str], others: Sequence[int]) -> html.Section:
    channels = f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]
    more = [html.P(worded(f"{name} is not walked: {why}."), className="advice") for name, why in left.items()]
    if others:
        links: list[Any] = ["Recorded too, and walked on at: "]
        for number in others:
            links += [dcc.Link(f"run {number}", href=f"/walk/{number}"), " "]
        more.append(html.P(links, className="advice"))
    return band(
        "Walk",
        html.P(
            f"One known current through pairs of motor leads proves {channels}: place, direction, scale.",
            className="say",
        ),
        html.P(
            f"Read from run {row.number} of {row.bench_name}, which is being recorded now. "
            "The page only listens: the supply is yours to set.",
            className="advice",
        ),
        *more,
        ident="what",
    )


def _cautions(*more: Any) -> html.Section:
    return band(
        "Before power",
        html.P(CAUTION.replace("\n", " ").removeprefix("Before power. "), className="advice"),
        *more,
        ident="cautions",
    )


def _sure() -> dmc.Checkbox:
    return dmc.Checkbox(id="walk-sure", label=SURE)


def _field(ident: str, label: str, placeholder: str, hint: str = "") -> html.Div:
    return html.Div(
        dmc.TextInput(
            id=f"walk-{ident}",
            label=label,
            description=hint or None,
            placeholder=placeholder,
            size="sm",
            inputWrapperOrder=["label", "input", "description", "error"],
        ),
        className="walk-field",
        id=f"walk-{ident}-field",
    )


def _pushed() -> html.Section:
    volts = [_field(f"volts-{s.name}", f"Volts in {s.name}", "0.210 V") for s in STEPS if s is not None]
    return band(
        "What is pushed",
        html.Div(
            [
                _field("current", "Current", "1.000 A", "One and the same in all steps; comma or point"),
                _field("error", "Error of its meter", "0.5 %", 'Such as "0.5 %", "10 mA" or "0.5 % + 10 mA"'),
            ],
            className="walk-fields",
        ),
        html.Details(
            [
                html.Summary("Resistance of the winding, if volts are measured at the clamps"),
                html.Div(
                    [*volts, _field("volts-error", "Error of those volts", "0.5 %")], className="walk-fields"
                ),
            ],
            className="budget-of",
        ),
        ident="pushed",
    )


def _steps() -> html.Section:
    return band(
        "Steps",
        html.Ol([_step(step) for step in STEPS], className="walk-steps"),
        dmc.Checkbox(id="walk-more", label=f"One more step, {MORE}"),
        html.P(
            "Where the steps lie in the run, and what you wrote above, stays in this tab until it is closed. "
            "In the logbook nothing is kept unless you ask for it below.",
            className="advice",
        ),
        dmc.Button("Start over", id="walk-over", size="sm", variant="default"),
        ident="steps",
    )


def _step(step: Step | None) -> html.Li:
    name = "rest" if step is None else step.name
    title = "Rest" if step is None else step.name
    _, _, what = instruction(step, "the current").partition(": ")
    return html.Li(
        [
            html.H3(title, id=f"walk-{name}-name"),
            html.P(what[0].upper() + what[1:], className="walk-do", id=f"walk-{name}-do"),
            dmc.Button(
                "Read", id=f"walk-{name}-read", size="sm", variant="filled",
                **wild(aria_label=f"Read {title}"),
            ),
            html.P("", className="walk-seen", id=f"walk-{name}-seen", role="status"),
        ],
        id=f"walk-{name}",
        hidden=name == MORE,
        **wild(data_step=name),
    )  # fmt: skip


def _verdict() -> html.Section:
    return band(
        "What it proves",
        html.Div(
            [
                html.P("Comes when all steps are read.", className="say", id="walk-sentence", role="status"),
                html.Div(id="walk-told"),
            ],
            className="walk-verdict",
        ),
        ident="verdict",
    )

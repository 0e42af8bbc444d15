"""What a run's figures stand on, in words, and the ways to ask its recorder for better."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import html

from dashboard import points
from dashboard.clock import when
from dashboard.digits import written
from dashboard.shell import band, wild, worded
from livesense.calibrated import facts_of
from livesense.zero_words import CAUTION, NOT_SURE, SURE

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis


def calibration(analysis: RunAnalysis) -> html.Section:
    """Tell which zeros and scales are in use, what is wrong with them, and which revision this is."""
    found = facts_of(analysis.in_use)
    recording = str(analysis.run.row.state) == "recording"
    return band(
        "Calibration",
        *(_found(found) if found else [_nothing()]),
        *_revisions(analysis),
        *([*zero_form(), points.form(analysis)] if recording else []),
        ident="calibration",
    )


def _nothing() -> html.P:
    return html.P("Not calibrated: the channels read by the bench file alone.", className="advice")


def _found(found: dict[str, Any]) -> list[Any]:
    rows = [
        html.Tr(
            [
                html.Th(name, scope="row"),
                html.Td(kind, **wild(data_title="What")),
                html.Td(c["made"][:16].replace("T", " "), **wild(data_title="Made")),
                html.Td(found_text(kind, c), **wild(data_title="Found")),
            ]
        )
        for name, kinds in found["channels"].items()
        for kind, c in kinds.items()
    ]
    head = html.Tr([html.Th(text, scope="col") for text in ("Channel", "What", "Made", "Found")])
    table = html.Div(
        html.Table([html.Thead(head), html.Tbody(rows)]),
        className="run-figures run-scroll run-lines run-chain",
        tabIndex="0",
        role="region",
        **wild(aria_label="Calibrations in use"),
    )
    return [table, *(html.P(worded(text), className="advice") for text in found["warnings"])]


def found_text(kind: str, c: dict[str, Any]) -> str:
    """Say what a calibration found, from its facts."""
    zero = "zero at " + written(c["zero_code"], c["u_codes"], "codes")
    if kind == "zero" or c["u_scale_percent"] is None:
        return zero
    return (
        written(c["per_code"], abs(c["per_code"]) * c["u_scale_percent"] / 100, c["unit"])
        + f" a code, {zero}"
    )


def _revisions(analysis: RunAnalysis) -> list[html.P]:
    now = next((r for r in analysis.run.revisions() if r.number == analysis.revision and r.number), None)
    if now is None:
        return []
    said = f"Corrected: revision {now.number} of {when(now.wall_s)}"
    return [html.P(f"{said}: {now.reason}", className="say", id="run-revision")]


def zero_form() -> list[Any]:
    """Ask whether the drive is off before zeros are taken of the run whose screen this stands on."""
    return [
        html.Div(
            [
                html.P(CAUTION, className="advice"),
                dmc.Checkbox(id="zero-sure", label=SURE),
                dmc.Button("Take zeros", id="zero-take", size="sm", variant="filled"),
            ],
            className="zero-form",
            **wild(data_unsure=f"{NOT_SURE[:1].upper()}{NOT_SURE[1:]}."),
        ),
        html.P("", id="zero-answer", className="say", role="status"),
    ]

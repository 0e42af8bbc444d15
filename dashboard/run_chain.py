"""The sense chain that a run is read through, a row a channel."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from dash import html

from dashboard.captions import resistance
from dashboard.digits import significant
from dashboard.shell import band, wild

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

HEAD = ("Channel", "Phase", "Sensor", "Range", "One code", "Zero at", "Board")


def chain_rows(analysis: RunAnalysis) -> list[tuple[str, ...]]:
    """Give the cells of each channel of the bench file, as text."""
    rows: list[tuple[str, ...]] = []
    for settings in analysis.bench.channels:
        channel = analysis.chain.channels.get(settings.name)
        if channel is None:
            continue
        sensor = str(settings.sensor)
        if settings.shunt_ohm is not None:
            sensor = (
                f"{resistance(settings.shunt_ohm)} × {significant(settings.gain or 1.0, 4)}, {settings.place}"
            )
        elif settings.ratio is not None:
            sensor = f"divider {significant(settings.ratio, 4)}:1"
        elif channel.computed:
            sensor = "computed from " + ", ".join(channel.source)
        known = sensor != "state" and math.isfinite(channel.low) and math.isfinite(channel.high)
        span = f"{significant(channel.low, 4)} to {significant(channel.high, 4)} {channel.unit}".strip()
        rows.append(
            (
                settings.name,
                settings.phase or "",
                sensor,
                span if known else "",
                ""
                if channel.per_code is None or sensor == "state"
                else f"{significant(channel.per_code, 4)} {channel.unit}".strip(),
                ""
                if channel.zero_code is None or sensor == "state"
                else f"{significant(channel.zero_code, 6)} codes",
                settings.board or "",
            )
        )
    return rows


def _with_unit(value: float | None, unit: str) -> str:
    return "" if value is None else f"{significant(value, 4)} {unit}".strip()


def chain(analysis: RunAnalysis) -> list[html.Section]:
    """Return the band of the chain; none where the bench file has no channel."""
    rows = chain_rows(analysis)
    if not rows:
        return []
    # Phase and board are stated by few bench files: a column that says nothing is left out.
    kept = [at for at in range(len(HEAD)) if at == 0 or any(cells[at] for cells in rows)]
    head, rows = [HEAD[at] for at in kept], [tuple(cells[at] for at in kept) for cells in rows]
    row = analysis.run.row
    said = [f"Bench “{row.bench_name}”", f"device {row.device}" if row.device else "", f"{row.wire} wire"]
    body: list[Any] = [
        html.Tr(
            [
                html.Th(cells[0], scope="row"),
                # Where it is narrow each cell is a line of its own, and says what it is.
                *(
                    html.Td(cell, **wild(data_title=title))
                    for title, cell in zip(head[1:], cells[1:], strict=True)
                ),
            ]
        )
        for cells in rows
    ]
    table = html.Div(
        html.Table([html.Thead(html.Tr([html.Th(text, scope="col") for text in head])), html.Tbody(body)]),
        className="run-figures run-scroll run-lines run-chain",
        tabIndex="0",
        role="region",
        **wild(aria_label="Sense chain"),
    )
    revision = f", revision {analysis.revision}" if analysis.revision else ""
    text = ", ".join(part for part in said if part) + f"{revision}; recorded by livesense {row.version}."
    return [band("Chain", html.P(text, className="advice"), table, ident="chain")]

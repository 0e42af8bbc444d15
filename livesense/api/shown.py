"""Figures and events that show themselves as tables, in a terminal and in a notebook."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from livesense.wording import shown

SHOWN_ROWS = 20
"""Rows that are shown of a long table."""


class Figures(dict[str, Any]):
    """What ``measure`` tells, keys as in docs/scripting.md; shown as tables."""

    def rows(self) -> list[tuple[str, str, str]]:
        """List every figure in words: where, which, and its value ± expanded uncertainty (k = 2)."""
        found: list[tuple[str, str, str]] = []
        for name, figures in self.get("channels", {}).items():
            found += [(name, key, text) for key, text in _told(figures)]
        for part in ("three_phase", "power", "speed"):
            found += [(part, key, text) for key, text in _told(self.get(part) or {})]
        return found

    def __repr__(self) -> str:
        head = f"run {self['run']}, {self['used_from_s']:g} s to {self['used_to_s']:g} s; ± is k = 2"
        return "\n".join([head, *(f"{where:12} {key:18} {text}" for where, key, text in self.rows())])

    def _repr_html_(self) -> str:
        head = f"Run {self['run']}, {self['used_from_s']:g} s to {self['used_to_s']:g} s; ± is k = 2"
        return html_table(head, ("", "figure", "value"), self.rows())


class Events(list[dict[str, Any]]):
    """Events in the order in which they began, keys as in docs/scripting.md; shown as a table."""

    def rows(self) -> list[tuple[str, ...]]:
        """List them in words."""
        return [
            (
                *(event["kind"], event["channel"], f"{event['start_s']:.6f}"),
                *(_span(event), _quantity(event["peak"]), event["text"]),
            )
            for event in self
        ]

    def __repr__(self) -> str:
        shown_rows = ["  ".join(row) for row in self.rows()[:SHOWN_ROWS]]
        more = [f"… and {len(self) - SHOWN_ROWS} more"] if len(self) > SHOWN_ROWS else []
        return "\n".join([f"{len(self)} events", *shown_rows, *more])

    def _repr_html_(self) -> str:
        return html_table(
            f"{len(self)} events", ("kind", "channel", "start s", "lasts", "peak", ""), self.rows()
        )


def _told(figures: Any) -> list[tuple[str, str]]:
    return [
        (key, _quantity(value))
        for key, value in figures.items()
        if isinstance(value, dict) and "value" in value
    ]


def _quantity(estimate: dict[str, Any]) -> str:
    figure = shown(estimate)
    if figure is None:
        return "withheld"
    value = f"{figure.value} ± {figure.expanded}" if figure.expanded else figure.value
    return f"{value} {figure.unit}".rstrip()


def _span(event: dict[str, Any]) -> str:
    return "still open" if event["end_s"] is None else f"{1e3 * (event['end_s'] - event['start_s']):.4g} ms"


def html_table(head: str, header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Write a table; every text in it is data, and escaped."""
    top = "".join(f"<th>{escape(text)}</th>" for text in header)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<p>{escape(head)}</p><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"

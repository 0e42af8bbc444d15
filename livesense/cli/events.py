"""``livesense events RUN``: what the watch found."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import Any

from livesense.cli.opened import opened_run
from livesense.cli.options import add_json, add_logbook, add_run
from livesense.cli.output import print_json, quantity, table
from livesense.wording import bounded, counted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List a run's events, and what the link lost beside them."""
    with opened_run(args) as analysis:
        events, link = analysis.events(), analysis.link_events()
    if args.json:
        print_json({"events": events, "link": link})
        return 0
    if not events:
        print(
            "No events: no sample went beyond a limit, and no rule tripped. "
            "What happens between samples cannot be seen."
        )
    shown = link if len(link) <= LINK_ROWS else []
    if rows := sorted([*events, *shown], key=lambda row: float(row["start_s"])):
        print(table(("from s", "to s", "kind", "", "channel", "peak", "what"), map(_row, rows), right=(0, 1)))
    if link and not shown:
        lost = sum(row["lost_scans"] or 0 for row in link)
        restarts = sum(row["kind"] == "restart" for row in link)
        print(
            f"The link: {counted(len(link) - restarts, 'gap')} of {counted(lost, 'scan')} in all, "
            f"{counted(restarts, 'restart')}; --json and `livesense show` list them."
        )
    return 0


LINK_ROWS = 20
"""More gaps than these are summed up: the list is one of events."""


def _row(row: Mapping[str, Any]) -> tuple[str, ...]:
    peak = row.get("peak")
    figure = bounded(peak) + quantity(peak) if peak else ""
    return (
        f"{row['start_s']:.6f}",
        "open" if row["end_s"] is None and peak else "" if row["end_s"] is None else f"{row['end_s']:.6f}",
        row["kind"],
        row.get("severity", ""),
        row.get("channel", ""),
        figure,
        row["text"],
    )

"""``livesense runs``: what a logbook holds, newest first."""

from __future__ import annotations

import argparse

from livesense.cli.options import add_json, add_logbook, existing_logbook
from livesense.cli.output import duration, print_json, table


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List the runs."""
    from livesense import analysis
    from livesense.logbook.reader import Logbook

    with Logbook(existing_logbook(args.logbook)) as logbook:
        rows = analysis.runs(logbook)
    if args.json:
        print_json({"runs": rows})
        return 0
    if not rows:
        print("No runs yet. livesense record BENCH makes one.")
        return 0
    print(
        table(
            ("run", "started", "length", "state", "events", "lost", "channels", "name"),
            [
                (
                    row["run"],
                    row["started"][:19].replace("T", " "),
                    duration(row["seconds"]),
                    row["state"],
                    row["events"],
                    "?" if row["scans_lost"] is None else row["scans_lost"],
                    " ".join(row["channels"]),
                    row["name"],
                )
                for row in rows
            ],
            right=(0, 2, 4, 5),
        )
    )
    if any(row["scans_lost"] is None for row in rows):
        print("?: the wire has no scan counter, so loss cannot be counted")
    return 0

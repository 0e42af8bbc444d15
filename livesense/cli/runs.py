"""``livesense runs``: what a logbook holds, newest first."""

from __future__ import annotations

import argparse
from typing import Any

from livesense.cli.logbooks import existing_logbook
from livesense.cli.opened import no_scans
from livesense.cli.options import add_json, add_logbook
from livesense.cli.output import print_json, table
from livesense.wording import duration

NOTHING = "—"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List the runs."""
    from livesense.logbook.reader import Logbook
    from livesense.run_list import runs

    with Logbook(existing_logbook(args.logbook)) as logbook:
        rows = runs(logbook)
        empty = logbook.without_scans()
    if args.json:
        print_json({"runs": rows})
        return 0
    if not rows:
        print("No runs yet. livesense record BENCH makes one.")
        return 0
    print(
        table(
            ("run", "started", "length", "state", "events", "lost", "away", "channels", "name"),
            [
                (
                    row["run"],
                    row["started"][:19].replace("T", " "),
                    duration(row["seconds"]),
                    row["state"],
                    row["events"],
                    _lost(row, empty),
                    f"{row['away']['count']}×" if row["away"]["count"] else "",
                    " ".join(row["channels"]),
                    row["name"],
                )
                for row in rows
            ],
            right=(0, 2, 4, 5, 6),
        )
    )
    if any(_lost(row, empty) == "?" for row in rows):
        print("?: the wire has no scan counter, so loss cannot be counted")
    if any(row["away"]["count"] for row in rows):
        print("away: how often the port was; `livesense show RUN` tells what each time cost")
    for number in empty:
        print(f"{NOTHING}: {no_scans(number)}")
    return 0


def _lost(row: dict[str, Any], empty: list[int]) -> str:
    if row["run"] in empty:
        return NOTHING
    return "?" if row["scans_lost"] is None else str(row["scans_lost"])

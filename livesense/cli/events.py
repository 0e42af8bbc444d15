"""``livesense events RUN``: what the watch found."""

from __future__ import annotations

import argparse

from livesense.cli.opened import opened_run
from livesense.cli.options import add_json, add_logbook, add_run
from livesense.cli.output import print_json, table


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List a run's events."""
    with opened_run(args) as analysis:
        events = analysis.events()
    if args.json:
        print_json({"events": events})
    elif events:
        print(
            table(
                ("from s", "to s", "kind", "channel", "what"),
                [
                    (
                        f"{event['start_s']:.6f}",
                        "open" if event["end_s"] is None else f"{event['end_s']:.6f}",
                        event["kind"],
                        event["channel"],
                        event["text"],
                    )
                    for event in events
                ],
                right=(0, 1),
            )
        )
    else:
        print(
            "No events: no sample went beyond a limit, and no rule tripped. "
            "What happens between samples cannot be seen."
        )
    return 0

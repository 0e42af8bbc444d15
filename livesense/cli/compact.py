"""``livesense compact``: give the space of deleted runs back to the system."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict

from livesense.cli.logbooks import existing_logbook
from livesense.cli.options import add_json, add_logbook
from livesense.cli.output import megabytes, print_json, safe
from livesense.cli.progress import progress
from livesense.wording import counted


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Compact a logbook."""
    from livesense.logbook.removal import compact

    path = existing_logbook(args.logbook)
    try:
        with progress(quiet=args.json) as tell:
            done = compact(path, tell)
    except KeyboardInterrupt:
        print("livesense: stopped; the logbook is whole, and another time goes on from here", file=sys.stderr)
        return 130
    if args.json:
        print_json({"logbook": str(path), **asdict(done)})
        return 0
    if done.leftover_rows:
        print(f"Finished a deletion that was broken off: {counted(done.leftover_rows, 'row')}")
    print(f"{safe(str(path))}: {megabytes(done.before_bytes)} before, {megabytes(done.after_bytes)} now")
    if done.pending_bytes:
        print(f"{megabytes(done.pending_bytes)} more follow when those who read the logbook now let go of it")
    return 0

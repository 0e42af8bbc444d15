"""``livesense copy RUN --to FILE``: a run as a file of its own, or behind the runs of another logbook."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict

from livesense.cli.logbooks import existing_logbook
from livesense.cli.options import add_json, add_logbook, file_name, run_reference
from livesense.cli.output import megabytes, print_json, safe
from livesense.cli.progress import progress


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("run", metavar="RUN", help="a number, or last")
    parser.add_argument(
        "--to",
        metavar="FILE",
        type=file_name,
        required=True,
        help="a new logbook, in which the run keeps its number, or one that is there: it gets the next one",
    )
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Copy a run."""
    from livesense.logbook.copying import copy_run
    from livesense.logbook.reader import Logbook

    reference = run_reference(args.run)
    with Logbook(existing_logbook(args.logbook)) as logbook:
        for warning in logbook.warnings:
            print(f"livesense: {safe(warning)}", file=sys.stderr)
        number = logbook.run(reference).number
        try:
            with progress(quiet=args.json) as tell:
                copied = copy_run(logbook, number, args.to, tell)
        except KeyboardInterrupt:
            print("livesense: stopped; nothing was copied", file=sys.stderr)
            return 130
    facts = asdict(copied) | {"from_run": number, "path": str(args.to)}
    if args.json:
        print_json(facts)
        return 0
    if copied.created:
        print(f"Run {number} is in {safe(str(args.to))}, a logbook of {megabytes(copied.bytes)}")
    else:
        print(f"Run {number} is run {copied.run} of {safe(str(args.to))}")
    return 0

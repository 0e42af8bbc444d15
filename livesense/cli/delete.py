"""``livesense delete RUN…``: runs that are over and not wanted any more."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING

from livesense.cli.logbooks import existing_logbook
from livesense.cli.options import add_json, add_logbook, run_reference
from livesense.cli.output import megabytes, print_json, safe
from livesense.cli.progress import progress
from livesense.errors import UsageError
from livesense.timetext import iso_time
from livesense.wording import counted, duration

if TYPE_CHECKING:
    from livesense.logbook.reader import Logbook


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("runs", metavar="RUN", nargs="+", help="numbers, or last")
    parser.add_argument("--yes", action="store_true", help="do not ask; needed where nobody can be asked")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Delete runs."""
    from livesense.logbook.reader import Logbook
    from livesense.logbook.removal import deletable, delete_runs

    references = [run_reference(text) for text in args.runs]
    path = existing_logbook(args.logbook)
    with Logbook(path) as logbook:
        numbers = deletable(logbook, references)
        if not args.yes and not _agreed(logbook, numbers):
            print("livesense: nothing was deleted", file=sys.stderr)
            return 1
    gone = False
    try:
        with progress(quiet=args.json) as tell:

            def told(what: str, done: int, total: int) -> None:
                nonlocal gone
                gone = gone or total > 0
                tell(what, done, total)

            deleted = delete_runs(path, numbers, told)
    except KeyboardInterrupt:
        words = "the runs are gone; `livesense compact` frees the rest of their space"
        if not gone:
            words = "nothing was deleted"
        print(f"livesense: stopped; {words}", file=sys.stderr)
        return 130
    if args.json:
        print_json(asdict(deleted) | {"logbook": str(path)})
        return 0
    listed = ("run " if len(numbers) == 1 else "runs ") + ", ".join(map(str, numbers))
    print(
        f"Deleted {listed}: {megabytes(deleted.freed_bytes)} are free for later runs; "
        "`livesense compact` gives them back to the system"
    )
    if deleted.leftover_rows:
        print(f"So are {counted(deleted.leftover_rows, 'row')} that a deletion before had left")
    return 0


def _agreed(logbook: Logbook, numbers: list[int]) -> bool:
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise UsageError("expected --yes where nobody can be asked: a deleted run cannot be had again")
    for number in numbers:
        row = logbook.run(number).row
        began = iso_time(row.started_wall_s)[:19].replace("T", " ")
        print(
            safe(f"run {number}  {began}  {duration(row.seconds)}  {row.state}  {row.name}"), file=sys.stderr
        )
    what = "this run" if len(numbers) == 1 else f"these {len(numbers)} runs"
    print(f"Delete {what} for good? [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in ("y", "yes")

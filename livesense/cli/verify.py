"""``livesense verify``: is a logbook sound, and if not, what is wrong where."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING

from livesense.cli.logbooks import existing_logbook
from livesense.cli.options import add_json, add_logbook, run_reference
from livesense.cli.output import print_json, safe, table
from livesense.cli.progress import progress
from livesense.wording import counted

if TYPE_CHECKING:
    from livesense.logbook.verify import Report, RunCheck


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "--run", metavar="RUN", help="only this run: a number, or last (default: all, and the file)"
    )
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Check a logbook; 1 when anything is wrong."""
    from livesense.logbook.verify import verify

    path = existing_logbook(args.logbook)
    only = None if args.run is None else run_reference(args.run)
    with progress() as tell:
        report = verify(path, only, tell)
    if args.json:
        print_json(
            {
                "logbook": str(path),
                "ok": not report.total,
                "runs": [asdict(check) | {"ok": not check.wrong} for check in report.runs],
                "findings": [finding.as_json() for finding in report.findings],
                "more": report.total - len(report.findings),
                "unchecked": list(report.unchecked),
            }
        )
    else:
        _print(report, str(path))
    return 1 if report.total else 0


def _print(report: Report, path: str) -> None:
    rows = [_row(check) for check in report.runs]
    if rows:
        print(table(("run", "state", "scans", "lost", "blocks", "pages", ""), rows, right=(0, 2, 3, 4, 5)))
    for finding in report.findings:
        where = f"{finding.where}: " if finding.where else ""
        print(f"\n{safe(where + finding.text)}\n  {finding.fix}")
    more = report.total - len(report.findings)
    if more:
        print(f"\n{counted(more, 'finding')} more of the same sorts")
    if rows and report.findings:
        print()
    print(f"{safe(path)}: {counted(report.total, 'finding') if report.total else 'sound'}")
    for text in report.unchecked:
        print(f"livesense: not checked: {safe(text)}", file=sys.stderr)


def _row(check: RunCheck) -> tuple[object, ...]:
    verdict = counted(check.wrong, "finding") if check.wrong else "sound"
    if check.open:
        verdict += " so far"
    return check.run, check.state, check.scans, check.lost, check.blocks, check.pages, verdict

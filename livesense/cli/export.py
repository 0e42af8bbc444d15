"""``livesense export RUN``: scans as CSV."""

from __future__ import annotations

import argparse
import io
import sys
from pathlib import Path

from livesense.cli.opened import opened_run
from livesense.cli.options import add_json, add_logbook, add_run, add_window, check_window
from livesense.cli.output import print_json, safe
from livesense.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    parser.add_argument("--format", choices=["csv"], default="csv", help="file format (default csv)")
    parser.add_argument(
        "--out", metavar="PATH", help="where to (default: run-N.csv, here; -: standard output, one group)"
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier export of that name")
    parser.add_argument("--codes", action="store_true", help="raw ADC codes instead of values")
    parser.add_argument("--channels", metavar="A,B", help="only these channels")
    add_window(parser)
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Export a run."""
    from livesense.export.csv_file import export_csv, undescribed, write_csv

    check_window(args)
    if args.out == "-" and args.json:
        raise UsageError("--out - and --json both write to standard output; leave one of them out")
    names = [name.strip() for name in args.channels.split(",")] if args.channels else None
    with opened_run(args) as analysis:
        missing = [] if args.codes or names else undescribed(analysis)
        if args.out == "-":
            if isinstance(sys.stdout, io.TextIOWrapper):
                # As in a file: units in UTF-8, and the ends of lines left as RFC 4180 has them.
                sys.stdout.reconfigure(encoding="utf-8", newline="")
            write_csv(analysis, sys.stdout, codes=args.codes, names=names, from_s=args.from_s, to_s=args.to_s)
            _tell_missing(missing)
            return 0
        path = Path(args.out if args.out is not None else f"run-{analysis.run.row.number}.csv")
        files, rows = export_csv(
            analysis,
            path,
            codes=args.codes,
            names=names,
            from_s=args.from_s,
            to_s=args.to_s,
            replace=args.force,
        )
    _tell_missing(missing)
    if args.json:
        print_json({"files": [str(file) for file in files], "rows": rows})
    else:
        print(f"{rows} rows in {', '.join(map(str, files))}")
    return 0


def _tell_missing(names: list[str]) -> None:
    if names:
        print(
            f"livesense: left out, since the bench file does not describe them: {safe(', '.join(names))}; "
            "--codes writes their raw codes",
            file=sys.stderr,
        )

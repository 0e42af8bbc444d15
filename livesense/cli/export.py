"""``livesense export RUN``: scans as CSV."""

from __future__ import annotations

import argparse
from pathlib import Path

from livesense.cli.options import (
    add_json,
    add_logbook,
    add_run,
    add_window,
    check_window,
    existing_logbook,
    run_reference,
)
from livesense.cli.output import print_json


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    parser.add_argument("--format", choices=["csv"], default="csv", help="file format (default csv)")
    parser.add_argument("--out", metavar="PATH", type=Path, help="where to (default: run-N.csv, here)")
    parser.add_argument("--codes", action="store_true", help="raw ADC codes instead of values")
    parser.add_argument("--channels", metavar="A,B", help="only these channels")
    add_window(parser)
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Export a run."""
    from livesense.analysis import RunAnalysis
    from livesense.export.csv_file import export_csv
    from livesense.logbook.reader import Logbook

    check_window(args)
    names = [name.strip() for name in args.channels.split(",")] if args.channels else None
    with Logbook(existing_logbook(args.logbook)) as logbook:
        run_analysis = RunAnalysis(logbook, run_reference(args.run))
        path = args.out if args.out is not None else Path(f"run-{run_analysis.run.row.number}.csv")
        files, rows = export_csv(
            run_analysis, path, codes=args.codes, names=names, from_s=args.from_s, to_s=args.to_s
        )
    if args.json:
        print_json({"files": [str(file) for file in files], "rows": rows})
    else:
        print(f"{rows} rows in {', '.join(map(str, files))}")
    return 0

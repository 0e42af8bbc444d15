"""``livesense export RUN``: scans as CSV, Parquet, COMTRADE or MDF."""

from __future__ import annotations

import argparse
import io
import sys
from pathlib import Path

from livesense.cli.opened import opened_run
from livesense.cli.options import add_json, add_logbook, add_window, check_window, run_reference
from livesense.cli.output import print_json, safe
from livesense.cli.progress import progress
from livesense.errors import UsageError
from livesense.wording import counted

SHOWN_FILES = 6
"""So many names are printed; a COMTRADE export with gaps has very many."""

FORMATS = ("csv", "parquet", "comtrade", "mdf4", "dataset")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "run",
        metavar="RUN",
        nargs="?",
        default=None,
        help="a number, or last (default); with --format dataset: the folder or URL that takes all runs",
    )
    parser.add_argument(
        "--format", choices=FORMATS, help="file format (default: by the suffix of --out; csv without one)"
    )
    parser.add_argument(
        "--out",
        metavar="PATH",
        help="where to (default: run-N with the format's suffix, here; -: CSV to standard output)",
    )
    parser.add_argument("--force", action="store_true", help="replace an earlier export of that name")
    parser.add_argument("--codes", action="store_true", help="raw ADC codes instead of values")
    parser.add_argument("--channels", metavar="A,B", help="only these channels")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")
    add_window(parser)
    add_logbook(parser)
    add_json(parser)


_SUFFIXES = {".parquet": "parquet", ".cfg": "comtrade", ".dat": "comtrade", ".mf4": "mdf4"}

_OF_OTHERS = (".xlsx", ".xls", ".ods", ".mat", ".h5", ".hdf5", ".json", ".feather", ".npy", ".npz", ".mdf")
"""Suffixes of formats that are not written: CSV under such a name would be taken for what it is not."""


def _by_suffix(out: str | None) -> str:
    """Tell the format by a file's name: CSV under any that says nothing else."""
    suffix = "" if out in (None, "-") else Path(str(out)).suffix.lower()
    if suffix in _OF_OTHERS:
        raise UsageError(
            "expected --out to end in .csv, .parquet, .cfg (COMTRADE) or .mf4 (MDF 4), or --format beside "
            f"it, got {out}"
        )
    return _SUFFIXES.get(suffix, "csv")


def run(args: argparse.Namespace) -> int:
    """Export a run."""
    from livesense.export.columns import undescribed
    from livesense.export.csv_file import write_csv
    from livesense.export.run_export import Format, export_run
    from livesense.export.tables import tables
    from livesense.retained import dropped_text

    check_window(args)
    if args.format == "dataset":
        return _dataset(args)
    args.run = args.run or "last"
    form = Format(args.format or _by_suffix(args.out))
    if args.out == "-" and (args.json or form is not Format.CSV):
        other = "--json" if args.json else f"--format {form}"
        why = "both write to standard output" if args.json else "does not go to standard output"
        raise UsageError(f"--out - and {other} {why}; leave one of them out")
    names = [name.strip() for name in args.channels.split(",")] if args.channels else None
    with opened_run(args) as analysis:
        dropped = dropped_text(analysis, args.from_s, args.to_s)
        missing = [] if args.codes or names else undescribed(analysis)
        if args.out == "-":
            if isinstance(sys.stdout, io.TextIOWrapper):
                # As in a file: units in UTF-8, and the ends of lines left as RFC 4180 has them.
                sys.stdout.reconfigure(encoding="utf-8", newline="")
            chosen = tables(analysis, codes=args.codes, names=names, from_s=args.from_s, to_s=args.to_s)
            write_csv(chosen, sys.stdout)
            _tell_missing(missing)
            _tell_dropped(dropped)
            return 0
        default = f"run-{analysis.run.row.number}{form.suffix}"
        with progress(quiet=args.quiet) as tell:
            done = export_run(
                analysis,
                Path(args.out if args.out is not None else default),
                form,
                codes=args.codes,
                names=names,
                from_s=args.from_s,
                to_s=args.to_s,
                replace=args.force,
                tell=tell,
            )
    _tell_missing(missing)
    _tell_dropped(dropped)
    if args.json:
        print_json(done | {"dropped": dropped})
    else:
        print(f"{done['rows']} rows in {_named(done['files'])}{_beside(done['metadata'])}")
    return 0


def _dataset(args: argparse.Namespace) -> int:
    """Write runs into a dataset: all of the logbook, or one."""
    from livesense.archive.writing import write_dataset
    from livesense.cli.logbooks import existing_logbook
    from livesense.logbook.reader import Logbook

    for given, option in (
        (args.codes, "--codes"), (args.channels, "--channels"), (args.from_s is not None, "--from"),
        (args.to_s is not None, "--to"), (args.force, "--force"),
    ):  # fmt: skip
        if given:
            raise UsageError(f"--format dataset takes whole runs, codes and values: leave out {option}")
    one = args.run is not None and (args.run == "last" or args.run.isdigit())
    if args.out is not None and args.run is not None and not one:
        raise UsageError(
            f"--format dataset: expected RUN with --out, or one folder or URL, got {args.run!r} too"
        )
    place = args.out if args.out is not None else None if one else args.run
    if not place:
        raise UsageError(
            "--format dataset: expected a folder or URL to write to, as in "
            "`livesense export --format dataset archive` or "
            "`livesense export 3 --format dataset --out archive`"
        )
    with Logbook(existing_logbook(args.logbook)) as book:
        numbers = [book.run(run_reference(args.run)).number] if one else None
        with progress(quiet=args.quiet) as tell:
            done = write_dataset(book, numbers, place, tell)
    for run in done["left_out"]:
        print(f"livesense: run {run['run']} was left out: {run['reason']}", file=sys.stderr)
    if args.json:
        print_json(done)
    else:
        print(
            f"{counted(len(done['written']), 'run')} written into {safe(place)} ({done['rows']} rows), "
            f"{len(done['unchanged'])} there already and unchanged"
        )
    return 0


def _named(files: list[str]) -> str:
    shown = files if len(files) <= SHOWN_FILES else files[: SHOWN_FILES - 1]
    more = f" and {len(files) - len(shown)} more files" if len(files) > len(shown) else ""
    return safe(", ".join(shown) + more)


def _beside(files: list[str]) -> str:
    return f"; units, uncertainties and chain in {_named(files)}" if files else ""


def _tell_dropped(text: str | None) -> None:
    if text is not None:
        print(f"livesense: not in the export: {safe(text)}", file=sys.stderr)


def _tell_missing(names: list[str]) -> None:
    if names:
        print(
            f"livesense: left out, since the bench file does not describe them: {safe(', '.join(names))}; "
            "--codes writes their raw codes",
            file=sys.stderr,
        )

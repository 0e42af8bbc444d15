"""``livesense check BENCH``: tell whether the bench is wired and scaled as its file says."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from livesense.cli.benches import address_of
from livesense.cli.options import add_json, add_logbook, file_name, span
from livesense.cli.output import as_far_as_it_is_read, print_json, quantity, safe, table
from livesense.errors import UsageError
from livesense.wording import counted

if TYPE_CHECKING:
    from livesense.bench import Bench
    from livesense.checks.findings import Edit, Finding
    from livesense.checks.report import Report

LISTEN_S = 4.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("bench", metavar="BENCH", type=Path, help="the bench file")
    parser.add_argument("--run", metavar="RUN", help="check a recorded run: a number, or last")
    parser.add_argument("--port", metavar="URL", help="a port other than the bench file's")
    parser.add_argument(
        "--seconds", type=span, metavar="TIME", help=f"how long to listen: {LISTEN_S:g} (default), 10s, 1min"
    )
    parser.add_argument(
        "--file-only", action="store_true", help="look at the bench file alone: no port, no run"
    )
    parser.add_argument(
        "--out", type=file_name, metavar="FILE", help="write the bench file with the fixes in it there"
    )
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Check, and tell."""
    from livesense import bench as bench_file

    _refuse_mixes(args)
    bench = bench_file.load(args.bench)
    report = _report(args, bench)
    written, left = _write(args.out, bench, report) if args.out is not None else ([], [])
    with as_far_as_it_is_read():
        if args.json:
            facts = report.as_json()
            if args.out is not None:
                facts["out"] = {"file": str(args.out), "changed": [e.line for e in written], "by_hand": left}
            print_json(facts)
        else:
            _print(report, bench)
            if args.out is not None:
                _print_written(args.out, written, left)
    return 0 if report.ok else 1


def _refuse_mixes(args: argparse.Namespace) -> None:
    if args.run is not None and (args.port is not None or args.seconds is not None):
        raise UsageError("expected --run, or --port and --seconds for a listen, not both")
    if args.file_only and (args.run is not None or args.port is not None or args.seconds is not None):
        raise UsageError("expected --file-only by itself: it looks at no port and no run")
    word = str(args.bench)
    if (word == "last" or word.isdecimal()) and not args.bench.exists():
        raise UsageError(f"expected a bench file, got {word}; a run is checked with BENCH --run {word}")
    if args.logbook is not None and args.run is None:
        raise UsageError("expected --run RUN beside --logbook: a listen uses no logbook")
    if args.out is not None and args.out.exists():
        raise UsageError(f"{args.out} is there already; choose another name")


def _report(args: argparse.Namespace, bench: Bench) -> Report:
    from livesense.check_run import check_file, check_port, check_run
    from livesense.cli.opened import opened_run

    if args.file_only:
        return check_file(bench)
    if args.run is not None:
        with opened_run(args) as analysis:
            return check_run(analysis, bench)
    expected = f'--port, port = "…" in the [link] table of {args.bench.name}'
    expected += ", --run for a recorded run, or --file-only"
    address = address_of(args, bench, expected)
    return check_port(bench, address, args.seconds or LISTEN_S)


def _write(path: Path, bench: Bench, report: Report) -> tuple[list[Edit], list[str]]:
    """Write the corrected file; returns the lines that were changed, and what has to be done by hand."""
    from livesense import bench as bench_file
    from livesense.checks.editing import edited
    from livesense.errors import BenchError

    text, done, left = bench.text, [], []
    keys: set[tuple[str, str, int, str]] = set()
    for finding in report.findings:
        edit = finding.edit
        if edit is None or not finding.alarm:
            continue
        key = (edit.table, edit.channel, edit.number, edit.key)
        if key in keys:
            left.append(f"{edit.channel or edit.place}: {edit.line} (this key is changed already)")
            continue
        try:
            changed = edited(text, [edit])
            bench_file.parse(changed, str(path))
        except (ValueError, BenchError) as error:
            left.append(str(error))
            continue
        keys.add(key)
        text = changed
        done.append(edit)
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
    return done, left


def _print(report: Report, bench: Bench) -> None:
    print(f"{safe(bench.name)}: {report.looked_at}")
    alarms = [f for f in report.findings if f.alarm]
    notes = [f for f in report.findings if not f.alarm]
    if not alarms:
        print("Nothing found that is wrong.")
    for finding in [*alarms, *notes]:
        where = f" {finding.channel}" if finding.channel else ""
        print(f"\n{str(finding.severity).upper()} {finding.kind}{safe(where)}")
        _paragraph(finding.text)
        if finding.edit is not None:
            place = f' "{finding.edit.channel}"' if finding.edit.channel else ""
            print(f"  fix, in {finding.edit.place}{safe(place)}: {safe(finding.edit.line.split('  #')[0])}")
            if finding.other is not None:
                print(f"       or: {safe(finding.other.line)}")
        elif finding.fix:
            _paragraph(finding.fix, "  fix: ")
    if report.kirchhoff is not None:
        _print_kirchhoff(report)
    _print_unproven(report)
    print(
        f"\n{_counts(report.findings)}. "
        "A check that finds nothing does not prove a circuit dead or a drive safe."
    )


def _counts(findings: Sequence[Finding]) -> str:
    """Count findings by the words that they stand under."""
    from livesense.checks.findings import Severity

    each = [(one.value, sum(f.severity is one for f in findings)) for one in Severity]
    return ", ".join(counted(count, word) for word, count in each if count) or "No findings"


def _print_unproven(report: Report) -> None:
    by_walk = [one for one in report.open if one.walk]
    others = [one for one in report.open if not one.walk]
    if by_walk:
        _paragraph(f"Not proven by this, and shown by `livesense walk` ({report.walk_with}):", "\n")
    for one in by_walk:
        _paragraph(f"{one.what}: {one.how}", "  - ")
    if others:
        print("Nor proven, and shown otherwise:" if by_walk else "\nNot proven by this:")
    for one in others:
        _paragraph(f"{one.what}: {one.how}", "  - ")


def _paragraph(text: str, first: str = "  ") -> None:
    print(
        textwrap.fill(
            safe(text), 100, initial_indent=first, subsequent_indent="    " if first != "  " else "  "
        )
    )


def _print_kirchhoff(report: Report) -> None:
    facts = report.kirchhoff.as_json() if report.kirchhoff is not None else {}
    rows = [
        (f"gain of {phase}, against the mean of the three", quantity(estimate))
        for phase, estimate in facts["gain_percent"].items()
    ]
    rows += [(f"angle of {phase}", quantity(estimate)) for phase, estimate in facts["angle_deg"].items()]
    rows += [
        ("mean of the sum", quantity(facts["offset_sum"])),
        ("fundamental of the sum", quantity(facts["sum_fundamental"])),
    ]
    print("\nThe three currents against each other (± is k = 2):")
    print(textwrap.indent(table(("", ""), rows).lstrip("\n "), "  "))


def _print_written(path: Path, written: list[Edit], left: list[str]) -> None:
    if written:
        print(f"\nWrote {path} with {counted(len(written), 'line')} changed:")
        for edit in written:
            where = f'channel "{edit.channel}"' if edit.channel else edit.place
            print(f"  {safe(where)}: {safe(edit.line.split('  #')[0])}")
        print("Look at them against the parts before you use it.")
    else:
        print(f"\nWrote {path}; no line of it had to change.")
    for text in left:
        print(f"livesense: by hand: {safe(text)}", file=sys.stderr)

"""``livesense report RUN``: one file to hand over, HTML or PDF."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.cli.compare import chains
from livesense.cli.earlier import check_place, write_whole
from livesense.cli.logbooks import existing_logbook
from livesense.cli.opened import no_scans, opened_run
from livesense.cli.options import add_json, add_logbook, add_run, file_name, run_reference
from livesense.cli.output import print_json, safe
from livesense.errors import LogbookError, UsageError

if TYPE_CHECKING:
    from livesense.report.content import Report
    from livesense.report.gathered import Gathered
    from livesense.report.head_part import Order


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    parser.add_argument(
        "--out",
        metavar="PATH",
        type=file_name,
        help="where to write it: .html (default: report-RUN.html in this directory) or .pdf",
    )
    parser.add_argument(
        "--against", metavar="RUN", help="report the comparison with another run instead, and which to choose"
    )
    parser.add_argument(
        "--chains", metavar="A:B,…", type=chains, help="report the comparison of channels of this run instead"
    )
    parser.add_argument(
        "--one-shunt",
        action="store_true",
        help="both chains of --chains sit on one shunt: its error is common",
    )
    parser.add_argument("--purpose", metavar="TEXT", default="", help="what the measurement was for")
    parser.add_argument("--by", metavar="NAME", default="", help="who made it")
    parser.add_argument("--force", action="store_true", help="replace an earlier report")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Write the report; exit code 1 where a figure fails its limits."""
    if args.against is not None and args.chains:
        raise UsageError("expected --against RUN or --chains A:B, not both")
    if args.one_shunt and not args.chains:
        raise UsageError("--one-shunt says something of two chains: name them with --chains A:B")
    if args.out is not None:
        _check(args.out, force=args.force)
    return _compared(args) if args.against is not None or args.chains else _of_one(args)


def _of_one(args: argparse.Namespace) -> int:
    from livesense.report.build import report_of
    from livesense.report.verdicts import Verdict, summary

    with opened_run(args) as analysis:
        number = analysis.run.row.number
        path = _path(args, f"report-{number}.html")
        order = _order(args, [str(number)])
        report, gathered = report_of(analysis, order, _said if sys.stderr.isatty() else lambda _: None)
    _write(path, report)
    failed = any(row.verdict is Verdict.FAIL for row in gathered.judged)
    if args.json:
        print_json(_facts(number, path, gathered))
    else:
        print(f"Wrote {path}.")
        if gathered.judged:
            print(summary(gathered.judged))
    return 1 if failed else 0


def _compared(args: argparse.Namespace) -> int:
    from livesense.analysis import RunAnalysis
    from livesense.compare.facts import compare_chains, compare_runs
    from livesense.logbook.reader import Logbook
    from livesense.report.comparison import choice, comparison_of, peak_of

    references = [run_reference(text) for text in (args.run, args.against) if text is not None]
    with Logbook(existing_logbook(args.logbook)) as logbook:
        opened = [RunAnalysis(logbook, reference) for reference in references]
        for analysis in opened:
            if not analysis.run.holds_scans():
                raise LogbookError(no_scans(analysis.run.row.number))
        first, second = opened[0], opened[-1]
        numbers = [str(analysis.run.row.number) for analysis in opened]
        path = _path(args, f"report-{'-'.join(numbers)}.html")
        if args.chains:
            facts = compare_chains(first, args.chains, one_shunt=args.one_shunt)
        else:
            facts = compare_runs(first, second)
        report = comparison_of(first, second, facts, _order(args, numbers))
        peak = peak_of(first)
    _write(path, report)
    choices = [(pair["of"], *choice(pair, peak)) for pair in facts["pairs"]]
    if args.json:
        told = [{"of": of, "take": take, "why": why} for of, take, why in choices]
        print_json({"runs": [int(number) for number in numbers], "file": str(path), "choices": told})
    else:
        print(f"Wrote {path}.")
        for of, take, why in choices:
            print(f"{safe(of)}: {f'take the {take} one' if take else 'no choice'}, {safe(why)}.")
    return 0


def _path(args: argparse.Namespace, name: str) -> Path:
    if args.out is not None:
        return Path(args.out)
    _check(Path(name), force=args.force)
    return Path(name)


def _order(args: argparse.Namespace, numbers: list[str]) -> Order:
    """Tell what is asked for, with the command that makes the same report again."""
    from livesense.report.head_part import Order

    words = ["livesense", "report", numbers[0]]
    if len(numbers) > 1:
        words += ["--against", numbers[1]]
    if args.chains:
        words += ["--chains", ",".join(f"{a}:{b}" for a, b in args.chains)]
        words += ["--one-shunt"] * args.one_shunt
    words += ["--logbook", existing_logbook(args.logbook).name]
    for option in ("purpose", "by"):
        if value := getattr(args, option):
            words += [f"--{option}", value]
    return Order(args.purpose, args.by, " ".join(map(_quoted, words)))


def _quoted(word: str) -> str:
    plain = all(c.isalnum() or c in "-_.:,/" for c in word)
    return word if plain and word else '"' + word.replace('"', "'") + '"'


def _said(what: str) -> None:
    print(f"livesense: {what} …", file=sys.stderr)


def _facts(number: int, path: Path, gathered: Gathered) -> dict[str, Any]:
    return {
        "run": number,
        "file": str(path),
        "sha256": gathered.digest,
        "verdicts": [
            {
                "limit": row.key,
                "what": row.what,
                "where": row.where,
                "measured": None if row.quantity is None else dict(row.quantity),
                "least": row.bounds.low,
                "most": row.bounds.high,
                "unit": row.bounds.unit,
                "verdict": str(row.verdict),
                "why": row.why,
            }
            for row in gathered.judged
        ],
        "unproven": [] if gathered.check is None else list(gathered.check.unproven),
    }


def _check(path: Path, *, force: bool) -> None:
    from livesense.report.as_html import MARK

    check_place(path, "report", MARK, force=force, suffixes=(".html", ".htm", ".pdf"))


def _write(path: Path, report: Report) -> None:
    if path.suffix.lower() == ".pdf":
        from livesense.report.as_pdf import pdf

        data = pdf(report)
    else:
        from livesense.report.as_html import html

        data = html(report).encode("utf-8")
    write_whole(path, data)

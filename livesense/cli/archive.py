"""``livesense archive summary|events|trend DATASET``: questions to the runs of many benches."""

from __future__ import annotations

import argparse
import re
import sys
from datetime import date
from typing import Any

from livesense.cli.options import add_json, span
from livesense.cli.output import print_json, quantity, safe, table
from livesense.cli.progress import progress
from livesense.errors import UsageError
from livesense.wording import counted, duration

QUESTIONS = ("summary", "events", "trend")
LOOPBACK = re.compile(r"^[a-z]+://(127\.|localhost[:/]|\[::1\])|^inproc://")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("question", metavar="QUESTION", choices=QUESTIONS, help="summary, events or trend")
    parser.add_argument(
        "dataset", metavar="DATASET", help="a folder or URL that `export --format dataset` wrote"
    )
    parser.add_argument("--bench", metavar="NAME", help="only runs of this bench")
    parser.add_argument(
        "--since", metavar="DATE", type=_day, help="only runs begun on this day (UTC) or later"
    )
    parser.add_argument(
        "--until", metavar="DATE", type=_day, help="only runs begun on this day (UTC) or before"
    )
    parser.add_argument(
        "--figures", action="store_true", help="summary: what `measure` tells of each run, too"
    )
    parser.add_argument("--kind", metavar="KIND", help="events: only of this kind, such as overcurrent")
    parser.add_argument("--limit", metavar="N", type=_count, help="events: only the first N")
    parser.add_argument(
        "--figure",
        metavar="PATH",
        default="three_phase.positive_rms",
        help="trend: a figure of `measure --json` (default three_phase.positive_rms)",
    )
    parser.add_argument(
        "--every", metavar="TIME", type=span, help="trend: a value each TIME of a run, not one a run"
    )
    parser.add_argument(
        "--workers",
        metavar="N",
        type=_count,
        help="processes on this computer (default: its cores; 0: none, just here)",
    )
    parser.add_argument("--scheduler", metavar="URL", help="a Dask scheduler, in a network that you trust")
    parser.add_argument("--tls-ca", metavar="FILE", help="certificate authority of a tls:// scheduler")
    parser.add_argument("--tls-cert", metavar="FILE", help="this computer's certificate for it")
    parser.add_argument("--tls-key", metavar="FILE", help="the key of that certificate")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Answer a question."""
    from livesense.archive.questions import Archive, Chosen
    from livesense.archive.workers import Where, computing

    if args.scheduler is not None and args.workers is not None:
        raise UsageError("--workers starts processes here, --scheduler uses others: leave one of them out")
    if (
        args.scheduler is not None
        and not args.scheduler.startswith("tls://")
        and not LOOPBACK.match(args.scheduler)
    ):
        print(
            f"livesense: {safe(args.scheduler)} is not encrypted, and whoever reaches it can run programs "
            "on its workers: use it in a network that you trust only, or tls://",
            file=sys.stderr,
        )
    where = Where(args.scheduler, args.workers, args.tls_ca, args.tls_cert, args.tls_key)
    with progress(quiet=args.quiet) as tell, computing(where) as workers:
        archive = Archive(args.dataset, Chosen(args.bench, args.since, args.until), workers, tell)
        facts = _answer(archive, args)
    facts["dataset"] = args.dataset
    if args.json:
        print_json(facts)
    else:
        {"summary": _summary, "events": _events, "trend": _trend}[args.question](facts)
    return 0


def _answer(archive: Any, args: argparse.Namespace) -> dict[str, Any]:
    if args.question == "summary":
        found: dict[str, Any] = archive.summary(figures=args.figures)
    elif args.question == "events":
        found = archive.events(args.kind, args.limit)
    else:
        found = archive.trend(args.figure, args.every)
    return found


def _summary(facts: dict[str, Any]) -> None:
    for bench in facts["benches"]:
        lost = "" if not bench["scans_lost"] else f", {bench['scans_lost']} lost"
        events = ", ".join(counted(count, f"{kind} event") for kind, count in bench["events"].items())
        print(
            f"{safe(bench['bench_name'])}: {counted(bench['runs'], 'run')}, {duration(bench['seconds'])}, "
            f"{bench['scans']} scans{lost}, {events or 'no events'}"
        )
        rows = [
            (name, *(quantity(channel[key], "no scans") for key in ("mean", "rms", "min", "max")))
            for name, channel in bench["channels"].items()
        ]
        print(table(("channel", "mean", "rms", "min", "max"), rows))
        print()
    print("± is k = 2, and covers what the bench files state; figures over all stored scans")


def _events(facts: dict[str, Any]) -> None:
    rows = [
        (
            event["at"],
            event["bench_name"],
            event["run"],
            event["kind"],
            event["channel"],
            quantity(event["peak"]),
        )
        for event in facts["events"]
    ]
    if rows:
        print(table(("at", "bench", "run", "kind", "channel", "peak"), rows))
    print(f"{counted(facts['count'], 'event')} in {counted(facts['runs'], 'run')}")


def _trend(facts: dict[str, Any]) -> None:
    rows = [
        (point["at"], point["bench_name"], point["run"], f"{point['from_s']:g}", quantity(point["figure"]))
        for point in facts["points"]
    ]
    if rows:
        print(table(("at", "bench", "run", "from s", facts["figure_path"]), rows))
    for name, slope in facts["slopes"].items():
        if slope is not None:
            print(f"{safe(name)}: {quantity(slope)}, a day")
    if facts["withheld"]:
        print(f"withheld {counted(facts['withheld'], 'time')}: `livesense measure` of the run tells why")


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a date such as 2026-03-01, got {text!r}") from None


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 9):
        raise argparse.ArgumentTypeError(f"expected a whole number from 0 up, got {text!r}")
    return int(text)

"""``livesense rescale RUN``: a corrected chain for a run that is over, as a revision that can be undone."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from livesense.cli.logbooks import existing_logbook
from livesense.cli.options import add_json, add_logbook, add_run, run_reference
from livesense.cli.output import print_json, safe, table
from livesense.errors import UsageError
from livesense.wording import counted, significant

CHOICES = ("kept", "latest", "none")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    parser.add_argument("--bench", metavar="FILE", type=Path, help="the corrected bench file")
    parser.add_argument("--reason", metavar="TEXT", help="why; kept with the revision")
    parser.add_argument("--by", metavar="NAME", default="", help="who says so; kept with the revision")
    parser.add_argument(
        "--calibration",
        choices=CHOICES,
        default="kept",
        help="kept: those the run uses now (default); latest: the newest of this bench and its boards; none",
    )
    parser.add_argument("--undo", action="store_true", help="return to the revision before")
    parser.add_argument("--list", action="store_true", help="list the run's revisions")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Rescale a run, undo that, or list its revisions."""
    reference = run_reference(args.run)
    path = existing_logbook(args.logbook)
    correcting = args.bench is not None or args.calibration != "kept"
    if args.undo + args.list + correcting != 1:
        raise UsageError(
            "expected one of --undo, --list, or --bench FILE (or --calibration latest, or none) "
            "with --reason TEXT"
        )
    if args.list:
        return _list(args, path, reference)
    if args.undo:
        return _undo(args, path, reference)
    if args.reason is None or not args.reason.strip():
        raise UsageError("expected --reason TEXT: whoever reads the figures later will ask why they changed")
    from livesense import bench as bench_file
    from livesense.rescaling import Choice, rescale

    facts = rescale(
        path,
        reference,
        bench=None if args.bench is None else bench_file.load(args.bench),
        choice=Choice(args.calibration),
        reason=args.reason,
        made_by=args.by,
    )
    if args.json:
        print_json(facts)
    else:
        _print(facts)
    return 0


def _undo(args: argparse.Namespace, path: Path, reference: int | str) -> int:
    from livesense.rescaling import undo

    facts = undo(path, reference)
    if args.json:
        print_json(facts)
    else:
        now = f"revision {facts['revision']}" if facts["revision"] else "what it was when it was recorded"
        print(f"Revision {facts['undone']} of run {facts['run']} is undone; its figures are those of {now}")
    return 0


def _list(args: argparse.Namespace, path: Path, reference: int | str) -> int:
    from livesense.logbook.reader import Logbook
    from livesense.run_facts import revision_facts

    with Logbook(path) as book:
        reader = book.run(reference)
        facts: dict[str, Any] = {
            "run": reader.number,
            "revision": reader.revision(),
            "revisions": [revision_facts(row) for row in reader.revisions()],
        }
    if args.json:
        print_json(facts)
        return 0
    rows = [
        (
            r["revision"],
            r["made"][:19].replace("T", " "),
            r["by"],
            r["reason"] or ("as recorded" if not r["revision"] else ""),
            "undone" if r["undone"] else "in use" if r["revision"] == facts["revision"] else "",
        )
        for r in facts["revisions"]
    ]
    print(table(("revision", "made", "by", "reason", ""), rows))
    return 0


def _print(facts: dict[str, Any]) -> None:
    print(f"Run {facts['run']} has revision {facts['revision']}: {safe(facts['reason'])}")
    if facts["channels"]:
        rows = [
            (name, c["unit"], *(_pair(c[key]) for key in ("per_code", "zero_code")))
            for name, c in facts["channels"].items()
        ]
        print(table(("channel", "unit", "per code", "zero code"), rows))
    for text in facts["warnings"]:
        print(safe(text))
    print(
        f"{counted(facts['events'], 'event')} found again, {facts['events_before']} before; raw codes and "
        f"the events found while recording are as they were. `livesense rescale {facts['run']} --undo` "
        "returns"
    )


def _pair(values: list[float | None]) -> str:
    return " → ".join("none" if value is None else significant(value) for value in values)

"""``livesense calibrate BENCH``: gains against a reference meter, point by point."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.cli.logbooks import existing_logbook, usable_logbook
from livesense.cli.options import add_json, add_logbook, span
from livesense.cli.output import print_json, quantity, safe, table
from livesense.errors import UsageError
from livesense.wording import counted, significant

if TYPE_CHECKING:
    from livesense.bench import Bench
    from livesense.logbook.rows import PointRow


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("bench", metavar="BENCH", type=Path, help="the bench file")
    parser.add_argument(
        "--channel",
        metavar="NAMES",
        help="what is calibrated; several with commas where one current flows through all of them, with a "
        "minus where it flows backwards: iu,-iv",
    )
    parser.add_argument("--at", metavar="VALUE", help='take a point now; what the reference says: "1.000 A"')
    parser.add_argument(
        "--point", metavar="VALUE@RUN:FROM-TO", action="append", default=[], help="a point from a stored run"
    )
    parser.add_argument(
        "--points", metavar="FILE", type=Path, help="points from a CSV file: channel,value,code"
    )
    parser.add_argument(
        "--reference-error",
        metavar="LIMIT",
        action="append",
        default=[],
        help='of the reference: "0.05 %%" of its reading, "2 mA"; repeatable; the same in all its points',
    )
    parser.add_argument(
        "--reference", metavar="NAME", default="reference meter", help="the meter, or its range"
    )
    parser.add_argument(
        "--repeatability", metavar="LIMIT", help="of the reference: another error in each point"
    )
    parser.add_argument("--fit", action="store_true", help="make a scale of the points and keep it")
    parser.add_argument("--discard", action="store_true", help="throw the points away that wait for a fit")
    parser.add_argument("--force", metavar="REASON", help="keep a gain that the bench file does not allow")
    parser.add_argument("--port", metavar="URL", help="a port other than the bench file's")
    parser.add_argument(
        "--seconds", type=span, default=2.0, metavar="TIME", help="how long to average: 2 (default), 10s"
    )
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Take points, fit, or tell what is there."""
    from livesense import bench as bench_file

    _check(args)
    bench = bench_file.load(args.bench)
    adding = args.at is not None or bool(args.point) or args.points is not None
    path = usable_logbook(args.logbook) if adding else existing_logbook(args.logbook)
    signs = _signs(args.channel, bench)
    facts: dict[str, Any] = {"bench_name": bench.name, "logbook": str(path), "added": [], "fits": {}}
    if adding:
        from livesense.cli.calibration_points import new_points

        rows = new_points(args, bench, path, signs)
        _keep(path, rows)
        facts["added"] = [_point_facts(row) for row in rows]
    names = list(signs) if args.channel is not None else None
    if args.discard:
        facts["discarded"] = _discard(path, bench, names)
    if args.fit:
        from livesense.logbook.writer import LogbookWriter
        from livesense.scale_keeping import fit_waiting

        with LogbookWriter(path) as writer:
            facts["fits"] = fit_waiting(writer, bench, names, args.force)
    facts["waiting"] = [_point_facts(row) for row in _waiting(path, bench, names)]
    if args.json:
        print_json(facts)
    else:
        _print(facts)
    return 0


def _check(args: argparse.Namespace) -> None:
    adding = args.at is not None or args.point or args.points is not None
    if adding and args.channel is None:
        raise UsageError("expected --channel: which channel is calibrated, or several with commas between")
    if adding and not args.reference_error:
        raise UsageError(
            'expected --reference-error, such as "0.05 %": what the reference meter may be wrong by '
            '(its data sheet or certificate tells); "0 %" takes it for exact'
        )
    if args.discard and (adding or args.fit):
        raise UsageError("expected --discard alone: it throws points away that wait for a fit")
    if args.force is not None and not (args.fit and args.force.strip()):
        raise UsageError("--force: expected a reason, together with --fit")


def _signs(given: str | None, bench: Bench) -> dict[str, int]:
    from livesense.calibrating import signs_of

    try:
        return signs_of(given, bench)
    except UsageError as error:
        raise UsageError(f"--channel: {error}") from error


def _keep(path: Path, rows: Sequence[PointRow]) -> None:
    from livesense.logbook.writer import LogbookWriter

    with LogbookWriter(path) as writer:
        writer.add_points(rows)


def _waiting(path: Path, bench: Bench, names: list[str] | None) -> list[PointRow]:
    from livesense.calibrated import boards_of
    from livesense.logbook.reader import Logbook

    with Logbook(path) as book:
        rows = book.waiting_points(bench.name, boards_of(bench))
    return [row for row in rows if names is None or row.channel in names]


def _discard(path: Path, bench: Bench, names: list[str] | None) -> int:
    from livesense.logbook.writer import LogbookWriter

    rows = _waiting(path, bench, names)
    with LogbookWriter(path) as writer:
        writer.discard_points([row.number for row in rows])
    return len(rows)


# Telling


def _point_facts(row: PointRow) -> dict[str, Any]:
    u = math.hypot(row.u_relative * row.value, row.u_absolute, row.u_own)
    return {
        "point": row.number or None,
        "channel": row.channel,
        "value": {"value": row.value, "u": u, "unit": row.unit},
        "code": row.code,
        "u_code": row.u_code,
        "scans": row.scans,
        "meter": row.meter,
    }


def _print(facts: dict[str, Any]) -> None:
    if facts["waiting"]:
        print("Points that wait for --fit")
        print(_points_table(facts["waiting"]))
    if "discarded" in facts:
        print(f"{counted(facts['discarded'], 'point')} thrown away")
    for name, fit in facts["fits"].items():
        gain = quantity(fit["gain_percent"])
        print(f"\n{safe(name)}: {quantity(fit['per_code'])} a code, {gain} from the bench file's")
        print(f"zero at {quantity(fit['zero_code'])}")
        print(
            table(
                ("reference", "code", "residual"),
                [
                    (
                        f"{significant(p['value'])} {fit['per_code']['unit']}",
                        f"{p['code']:.2f}",
                        f"{significant(p['residual'], 2)} {fit['per_code']['unit']}",
                    )
                    for p in fit["points"]
                ],
                right=(0, 1, 2),
            )
        )
        share, u = f"{fit['linearity_percent']:.2g}", f"{fit['u_scale_percent']:.2g}"
        print(f"Largest residual {share} % of the span; standard uncertainty of the scale {u} %")
    if facts["fits"]:
        print(f"\nKept in {safe(facts['logbook'])}; runs recorded from now on use it")
    elif not facts["waiting"] and "discarded" not in facts:
        print("No points wait for a fit. Take one with --channel, --at and --reference-error")


def _points_table(rows: list[dict[str, Any]]) -> str:
    return table(
        ("channel", "reference", "code", "scans", "meter"),
        [
            (
                r["channel"],
                quantity(r["value"]),
                quantity({"value": r["code"], "u": r["u_code"], "unit": ""}),
                r["scans"],
                r["meter"],
            )
            for r in rows
        ],
    )

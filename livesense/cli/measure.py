"""``livesense measure RUN``: figures with their uncertainty."""

from __future__ import annotations

import argparse
from typing import Any

from livesense.cli.measure_text import print_facts
from livesense.cli.opened import opened_run
from livesense.cli.options import add_json, add_logbook, add_run, add_window, check_window
from livesense.cli.output import print_json, quantity, table
from livesense.trend_facts import row_texts


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    add_window(parser)
    parser.add_argument(
        "--trend",
        metavar="STEP",
        choices=("auto", "200ms", "3s", "1min", "10min"),
        help="instead: the figures of each 200ms, 3s, 1min or 10min; auto makes at most 1000 rows",
    )
    parser.add_argument(
        "--winding",
        action="store_true",
        help="instead: time constant, resistance and inductance of the windings, where currents go out",
    )
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Measure a stretch of a run."""
    check_window(args)
    with opened_run(args) as analysis:
        if args.winding:
            return _winding(analysis.windings(args.from_s, args.to_s), as_json=args.json)
        if args.trend is not None:
            return _trend(analysis.trends(args.from_s, args.to_s, args.trend), as_json=args.json)
        facts = analysis.measure(args.from_s, args.to_s)
        states = {channel.name for channel in analysis.channels if channel.quantity == "state"}
    if args.json:
        print_json(facts)
    else:
        print_facts(facts, states)
    return 0


def _winding(facts: dict[str, Any], *, as_json: bool) -> int:
    if as_json:
        print_json(facts)
        return 0
    print(f"Run {facts['run']}, windings by {', '.join(facts['channels'])}; ± is k = 2 (about 95 %)")
    for row in facts["steps"]:
        span = f"{row['from_s']:.6g} s to {row['to_s']:.6g} s"
        if row["reason"] is not None:
            print(f"{span}: withheld: {row['reason']}")
            continue
        inductance = "" if row["inductance"] is None else f", inductance {quantity(row['inductance'])}"
        print(f"{span}: time constant {quantity(row['time_constant'])}{inductance}")
    if not facts["steps"]:
        print("No current goes out by an exponential at the borders of standstill and align;")
        print("look elsewhere with --from and --to.")
    if facts["resistance"] is not None:
        print(f"resistance of a phase, held in place: at most {quantity(facts['resistance'])}")
    print(f"It takes {facts['assumes']}.")
    return 0


def _trend(facts: dict[str, Any], *, as_json: bool) -> int:
    if as_json:
        print_json(facts)
        return 0
    print(f"Run {facts['run']}, {facts['from_s']:.6g} s to {facts['to_s']:.6g} s, each {facts['resolution']}")
    for head, lines in row_texts(facts):
        print("\n" + table(head, lines))
    print("\n± of each channel and all other figures: --json")
    return 0

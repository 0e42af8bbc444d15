"""``livesense stretches RUN``: standstill, starts, steady parts, changes and stops of a run."""

from __future__ import annotations

import argparse
from typing import Any

from livesense.cli.opened import opened_run
from livesense.cli.options import add_json, add_logbook, add_run, add_window, check_window
from livesense.cli.output import print_json, quantity, table
from livesense.wording import significant


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    add_window(parser)
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Tell the stretches of a run."""
    from livesense.stretch_facts import stretches_of

    check_window(args)
    with opened_run(args) as analysis:
        facts = stretches_of(analysis, args.from_s, args.to_s)
    if args.json:
        print_json(facts)
    else:
        _print(facts)
    return 0


def _print(facts: dict[str, Any]) -> None:
    below = facts["no_current_below"]
    print(
        f"Run {facts['run']}, told by {', '.join(facts['channels'])}; below {significant(below['value'], 2)} "
        f"{below['unit']} there is no current; ± is k = 2 (about 95 %)"
    )
    rows = [
        (
            f"{row['from_s']:.2f}",
            f"{row['to_s']:.2f}",
            row["kind"],
            f"{row['frequency_hz']:.4g} Hz" if row["sequence"] else "",
            quantity(row["highest"]) if "highest" in row else "",
            quantity(row["energy"]) if "energy" in row else "",
            row["text"],
        )
        for row in facts["stretches"]
    ]
    header = ("from s", "to s", "kind", "frequency", "highest current", "energy", "")
    print(table(header, rows, right=(0, 1, 3)))

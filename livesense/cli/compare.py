"""``livesense compare``: two runs, or two chains of one phase, side by side."""

from __future__ import annotations

import argparse
from typing import Any

from livesense.cli.logbooks import existing_logbook
from livesense.cli.opened import no_scans
from livesense.cli.options import add_json, add_logbook, add_window, check_window, run_reference, seconds
from livesense.cli.output import print_json, quantity, safe, table
from livesense.errors import LogbookError, UsageError
from livesense.wording import significant


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "runs", metavar="RUN", nargs="+", help="two runs, or one with --chains; a number, or last"
    )
    parser.add_argument(
        "--chains",
        metavar="A:B,…",
        type=chains,
        help="channels of one run to compare, such as iu:iu_fine",
    )
    parser.add_argument(
        "--one-shunt",
        action="store_true",
        help="both chains of --chains sit on one shunt: its error is common",
    )
    parser.add_argument(
        "--band",
        metavar="HZ:HZ",
        type=_band,
        help="where noise is looked at (default: 10 Hz to 0.45 of the scan rate)",
    )
    add_window(parser)
    parser.add_argument("--other-from", metavar="S", type=seconds, help="start in the second run")
    parser.add_argument("--other-to", metavar="S", type=seconds, help="end in the second run (not included)")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Compare."""
    check_window(args)
    if len(args.runs) != (1 if args.chains else 2):
        expected = "one run with --chains" if args.chains else "two runs, or one with --chains A:B"
        raise UsageError(f"expected {expected}, got {len(args.runs)}: {' '.join(args.runs)}")
    if args.one_shunt and not args.chains:
        raise UsageError("--one-shunt says something of two chains: name them with --chains A:B")
    facts = _facts(args)
    if args.json:
        print_json(facts)
    else:
        _print(facts)
    return 0


def _facts(args: argparse.Namespace) -> dict[str, Any]:
    from livesense.analysis import RunAnalysis
    from livesense.compare.facts import compare_chains, compare_runs
    from livesense.logbook.reader import Logbook

    references = [run_reference(text) for text in args.runs]
    with Logbook(existing_logbook(args.logbook)) as logbook:
        opened = [RunAnalysis(logbook, reference) for reference in references]
        for analysis in opened:
            if not analysis.run.holds_scans():
                raise LogbookError(no_scans(analysis.run.row.number))
        window = (args.from_s, args.to_s)
        if args.chains:
            return compare_chains(opened[0], args.chains, window, args.band, one_shunt=args.one_shunt)
        other = (args.other_from, args.other_to)
        number = opened[0].run.row.number
        if number == opened[1].run.row.number and window == other:
            raise UsageError(
                f"expected two runs, or two windows of one, got run {number} twice; "
                "name another run, or other times with --other-from and --other-to"
            )
        return compare_runs(opened[0], opened[1], (window, other), args.band)


def chains(text: str) -> list[tuple[str, str]]:
    """Read pairs of channels such as ``iu:iu_fine,iv:iv_fine``."""
    pairs = []
    for part in text.split(","):
        one, colon, other = part.strip().partition(":")
        if not (one and colon and other) or one == other:
            raise argparse.ArgumentTypeError(
                f"expected two channels such as iu:iu_fine, got {part.strip()!r}"
            )
        pairs.append((one, other))
    return pairs


def _band(text: str) -> tuple[float, float]:
    expected = f"expected two frequencies in Hz such as 10:9000, got {text!r}"
    low, colon, high = text.partition(":")
    try:
        band = float(low), float(high)
    except ValueError as error:
        raise argparse.ArgumentTypeError(expected) from error
    if not colon or not 0 <= band[0] < band[1] < 1e9:
        raise argparse.ArgumentTypeError(expected)
    return band


def _print(facts: dict[str, Any]) -> None:
    from livesense.compare.facts import sentence

    sides = [facts["first"], facts["second"]]
    for label, side in zip(("first ", "second"), sides, strict=True):
        name = f" “{safe(side['name'])}”" if side["name"] else ""
        where = f"{side['from_s']:.6g} s to {side['to_s']:.6g} s"
        print(f"{label}  run {side['run']}{name}, bench {safe(side['bench_name'])!r}, {where}{_state(side)}")
    if not facts["matched"]:
        print(f"Speed and current are not alike, so figures under load are left out: {facts['why_not']}")
    low, high = facts["band_hz"]
    print(f"± is k = 2 (about 95 %); noise from {significant(low, 4)} Hz to {significant(high, 4)} Hz")
    for pair in facts["pairs"]:
        print(f"\n{safe(pair['of'])}: {sentence(pair)}")
        rows = [_row(row) for row in pair["rows"]]
        print(table(("figure", "first", "second", "second − first", ""), rows))
    title = "What the bench file says differently" if facts["chains"] else "What changed"
    nothing = (
        "The bench file says the same of both" if facts["chains"] else "Nothing that is written down changed"
    )
    print(f"\n{title}" if facts["changed"] else f"\n{nothing}.")
    if facts["changed"]:
        changes = [
            (safe(c["of"]), safe(c["key"]), _written(c["first"]), _written(c["second"]))
            for c in facts["changed"]
        ]
        print(table(("of", "key", "first", "second"), changes))


def _state(side: dict[str, Any]) -> str:
    if side["frequency_hz"] is None:
        return ""
    if side["frequency_hz"] == 0:
        return ": at rest"
    return f": {side['frequency_hz']:.4g} Hz, {side['rms_a']:.3g} A rms"


def _written(value: Any) -> str:
    return "left out" if value is None else safe(str(value))


def _row(row: dict[str, Any]) -> tuple[str, str, str, str, str]:
    from livesense.compare.words import is_exact, row_label, verdict

    exact = is_exact(row)
    first, second, change = (_cell(row[key], exact=exact) for key in ("first", "second", "difference"))
    return row_label(row), first, second, change, verdict(row)


def _cell(figure: dict[str, Any] | None, *, exact: bool) -> str:
    if figure is None or figure["value"] is None:
        return "not known"
    if exact or figure["u"] == 0:
        return f"{significant(figure['value'], 4)} {figure['unit']}"
    return quantity(figure)

"""``livesense zero BENCH``: where the zeros lie, with the drive de-energised."""

from __future__ import annotations

import argparse
import sys
import textwrap
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.cli.benches import opened_bench
from livesense.cli.logbooks import usable_logbook
from livesense.cli.options import add_json, add_logbook, span
from livesense.cli.output import print_json, quantity, safe, table
from livesense.errors import UsageError
from livesense.wording import significant
from livesense.zero_words import (
    ASK_SURE,
    CAUTION,
    LATER,
    NO_CHANNEL,
    NONE_KEPT,
    NOT_SURE,
    ONE_SIDED,
    OPENING,
    energised,
)

if TYPE_CHECKING:
    from livesense.zeroing import ZeroCheck


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("bench", metavar="BENCH", type=Path, help="the bench file")
    parser.add_argument("--port", metavar="URL", help="a port other than the bench file's")
    parser.add_argument(
        "--seconds", type=span, default=2.0, metavar="TIME", help="how long to average: 2 (default), 10s"
    )
    parser.add_argument(
        "--channel", metavar="NAMES", help="these channels only, with commas between; default all currents"
    )
    parser.add_argument(
        "--force", metavar="REASON", help="keep a zero that lies further off than the bench file allows"
    )
    parser.add_argument("--yes", action="store_true", help="do not ask whether the drive is de-energised")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Take zeros."""
    from livesense.averaging import averages, hear, mean_temperatures
    from livesense.chain import Chain
    from livesense.logbook.writer import LogbookWriter
    from livesense.zeroing import bus_left_v, check_zero, judge_zeros, zero_channels, zero_row

    if args.force is not None and not args.force.strip():
        raise UsageError("--force: expected a reason, got none")
    bench, address = opened_bench(args)
    path = usable_logbook(args.logbook)
    if not _agreed(args):
        return 1
    heard = hear(bench, address, args.seconds)
    chain = Chain(bench, heard.groups)
    names = _chosen(args.channel, zero_channels(chain))
    bus_v = bus_left_v(chain, heard)
    found = averages(chain, heard, names)
    checks = {name: check_zero(chain.channels[name], average, bus_v) for name, average in found.items()}
    temperatures = mean_temperatures(chain, heard)
    judged = judge_zeros(checks, args.force)
    kept, refused = judged.kept, judged.refused
    numbers: dict[str, int] = {}
    if kept:
        rows = [
            zero_row(
                bench,
                name,
                checks[name],
                wall_s=time.time(),
                device=heard.device,
                temperatures=temperatures,
                reason=args.force or "",
            )
            for name in kept
        ]
        with LogbookWriter(path) as writer:
            numbers = dict(zip(kept, writer.add_calibrations(rows), strict=True))
    facts = {
        "bench_name": bench.name,
        "device": heard.device,
        "logbook": str(path),
        "seconds": args.seconds,
        "stored": bool(kept),
        "temperatures": temperatures,
        "warnings": [text] if (text := energised(bus_v)) else [],
        "channels": {name: _facts(c, numbers.get(name), refused.get(name)) for name, c in checks.items()},
    }
    if args.json:
        print_json(facts)
    else:
        _print(facts)
    for text in facts["warnings"]:
        print(f"livesense: {text}", file=sys.stderr)
    for name, why in refused.items():
        print(f"livesense: {safe(name)} {why}", file=sys.stderr)
    if not kept:
        why = "" if refused else f": {ONE_SIDED}"
        print(f"livesense: {NONE_KEPT}{why}", file=sys.stderr)
    return 0 if kept else 1


def _agreed(args: argparse.Namespace) -> bool:
    """Say the caution, and ask where somebody sits at a terminal; scripts are never held up."""
    if args.json:
        return True
    print(textwrap.fill(f"{CAUTION} {OPENING}", 106, break_on_hyphens=False), file=sys.stderr)
    if args.yes or not (sys.stdin.isatty() and sys.stderr.isatty()):
        return True
    print(f"{ASK_SURE} [y/N] ", end="", file=sys.stderr, flush=True)
    if sys.stdin.readline().strip().lower() in ("y", "yes"):
        return True
    print(f"livesense: {NOT_SURE}", file=sys.stderr)
    return False


def _chosen(given: str | None, there: list[str]) -> list[str]:
    if not there:
        raise UsageError(NO_CHANNEL)
    if given is None:
        return there
    names = [name.strip() for name in given.split(",") if name.strip()]
    unknown = [name for name in names if name not in there]
    if unknown or not names:
        raise UsageError(f"--channel: expected names out of {', '.join(there)}, got {given!r}")
    return list(dict.fromkeys(names))


def _facts(check: ZeroCheck, number: int | None, refused: str | None) -> dict[str, Any]:
    found = check.average
    return {
        "zero_code": found.code,
        "u_codes": found.u_code,
        "offset": check.offset,
        "noise_codes": found.noise,
        "drift_codes": found.drift,
        "scans": found.scans,
        "stored": number is not None,
        "calibration": number,
        "one_sided": check.one_sided is not None,
        "reason": refused or check.one_sided or check.far,
    }


def _print(facts: dict[str, Any]) -> None:
    print(
        table(
            ("channel", "zero code", "offset", "noise", "drift", "scans", ""),
            [
                (
                    name,
                    quantity({"value": c["zero_code"], "u": c["u_codes"], "unit": ""}),
                    quantity(c["offset"]),
                    f"{significant(c['noise_codes'], 2)} codes",
                    f"{significant(c['drift_codes'], 2)} codes",
                    c["scans"],
                    "kept" if c["stored"] else "one-sided" if c["one_sided"] else "not kept",
                )
                for name, c in facts["channels"].items()
            ],
        )
    )
    for name, c in facts["channels"].items():
        if c["one_sided"]:
            print(f"{safe(name)}: {c['reason']}")
    if facts["stored"]:
        at = ", ".join(f"{safe(name)} {t:.1f} °C" for name, t in facts["temperatures"].items())
        print(
            f"Kept in {safe(facts['logbook'])} for the bench {safe(facts['bench_name'])!r}"
            + (f" at {at}" if at else "")
            + f"; {LATER}"
        )

"""``livesense identify``: what a line carries, and on what evidence."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from livesense.cli.options import add_json, baud_rate, span
from livesense.cli.output import print_json, safe
from livesense.errors import UsageError
from livesense.wording import plain

if TYPE_CHECKING:
    from livesense.identify.finding import Finding
    from livesense.probe import Probe

TRY_S = 0.7
"""How long each rate is listened to; a device that describes itself does so each second."""

SURE = 0.85


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "port", metavar="PORT", help="a device name, socket://host:port, rfc2217://host:port, file:PATH or -"
    )
    parser.add_argument("--baud", type=baud_rate, metavar="RATE", help="listen at this rate only")
    parser.add_argument(
        "--seconds", type=span, default=3.0, metavar="TIME", help="how long to listen: 3 (default), 10s, 1min"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the bench file there")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Listen, and tell."""
    from livesense.link.address import parse_address
    from livesense.probe import LIKELY_BAUDS, Probe

    if args.out is not None and args.out.exists():
        raise UsageError(f"{args.out} is there already; choose another name")
    address = parse_address(args.port)
    with Probe(address, args.baud or LIKELY_BAUDS[0]) as probe:
        found, baud = _listen(probe, args)
    if args.json:
        print_json(
            {
                "wire": found.wire,
                "baud": baud,
                "channels": list(found.channels),
                "rate_hz": found.rate_hz,
                "confidence": found.confidence,
                "evidence": list(found.evidence),
                "bench": found.bench,
            }
        )
    else:
        _print(found, baud)
    if found.wire is None:
        return 1
    if args.out is not None:
        try:
            args.out.write_text(found.bench, encoding="utf-8")
        except OSError as error:
            raise UsageError(f"cannot write {args.out}: {error.strerror or error}") from error
        if not args.json:
            print(f"\nWrote {args.out}. State the wiring there, then: livesense record {args.out}")
    return 0


def _listen(probe: Probe, args: argparse.Namespace) -> tuple[Finding, int | None]:
    from livesense.identify.finding import Finding, identify
    from livesense.probe import baud_order

    if not probe.has_baud:
        heard = probe.listen(args.seconds)
        return identify(heard.data, heard.seconds, port=args.port, baud=None), None
    best, best_baud = Finding(None, evidence=("nothing came at any rate",)), args.baud
    rates = baud_order(args.baud)
    for baud in rates:
        if len(rates) > 1 and not args.json:
            # It may take ten seconds: whoever waits should see why.
            print(f"Listening at {baud} Bd …", file=sys.stderr)
        probe.set_baud(baud)
        heard = probe.listen(args.seconds if len(rates) == 1 else min(TRY_S, args.seconds))
        found = identify(heard.data, heard.seconds, port=args.port, baud=baud)
        if found.confidence > best.confidence or (best.wire is None and heard.data):
            best, best_baud = found, baud
        if found.confidence >= SURE:
            break
    if best.wire is not None and len(rates) > 1:
        probe.set_baud(best_baud or rates[0])
        heard = probe.listen(args.seconds)
        longer = identify(heard.data, heard.seconds, port=args.port, baud=best_baud)
        best = longer if longer.confidence >= best.confidence else best
    return best, best_baud


def _print(found: Finding, baud: int | None) -> None:
    if found.wire is None:
        print("Nothing that livesense knows came over this line.")
    else:
        words = {
            "framed": "frames with a description",
            "text": "lines of text",
            "record": "records of one length",
        }
        rate = "" if found.rate_hz is None else f", about {plain(found.rate_hz)} scans/s"
        at = "" if baud is None else f" at {baud} Bd"
        count = len(found.channels)
        print(f"{found.wire}: {words[found.wire]}{at}, {count} channel{'s' * (count != 1)}{rate}")
        print(f"Confidence {found.confidence:.0%}")
    for text in found.evidence:
        print(f"  - {safe(text)}")
    if found.bench:
        print(f"\n{safe(found.bench)}", end="")

"""``livesense listen PORT``: a look at the line, frame by frame, for the moment when nothing works."""

from __future__ import annotations

import argparse
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

from livesense.cli.benches import LISTS, address_of
from livesense.cli.ending import ending_signals
from livesense.cli.options import baud_rate, span
from livesense.cli.output import safe
from livesense.errors import UsageError

if TYPE_CHECKING:
    from livesense.bench import Bench
    from livesense.link.address import Address

DEFAULT_BAUD = 115200


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "port",
        metavar="PORT",
        nargs="?",
        help="a device name, socket://host:port, rfc2217://host:port, file:PATH or -; default: --bench's",
    )
    parser.add_argument("--bench", type=Path, metavar="FILE", help="expect what this bench file says")
    parser.add_argument("--wire", choices=("framed", "text", "record"), help="expect this wire")
    parser.add_argument("--baud", type=baud_rate, metavar="RATE", help="listen at this rate")
    parser.add_argument(
        "--seconds", type=span, metavar="TIME", help="end after 10s, 2min, … (else Ctrl-C ends)"
    )
    parser.add_argument(
        "--frames", type=_count, metavar="N", help="end after so many frames, lines or records"
    )
    parser.add_argument(
        "--until-closed", action="store_true", help="end when the link closes; else wait for its return"
    )
    parser.add_argument(
        "--json", action="store_true", help="print one JSON object a row, a summary last, and nothing else"
    )


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 0 < len(text) < 16 and int(text) > 0):
        raise argparse.ArgumentTypeError(f"expected a whole number from 1 up, got {text!r}")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Listen until something ends it."""
    from livesense.cli.listen_output import output_for
    from livesense.listening import Listening

    bench = _bench(args)
    address = _address(args, bench)
    baud = args.baud or (bench.link.baud if bench is not None else DEFAULT_BAUD)
    output = output_for(json=args.json)
    stop = threading.Event()
    listening = Listening(
        address,
        baud,
        bench,
        args.wire,
        output,
        seconds=args.seconds,
        frames=args.frames,
        until_closed=args.until_closed,
        stop=stop,
    )
    with ending_signals(stop):
        facts = listening.run()
    if facts["error"] is not None:
        print(f"livesense: {safe(facts['error'])}", file=sys.stderr)
    output.end(facts, opened=listening.opened)
    if facts["error"] is not None:
        return 1
    return 0 if facts["verdicts"].get("good") else 1


def _bench(args: argparse.Namespace) -> Bench | None:
    if args.bench is None:
        if args.port is None:
            raise UsageError("no port: expected PORT or --bench FILE; `livesense ports` lists what is there")
        return None
    if args.wire is not None:
        raise UsageError("expected --bench or --wire, got both: the bench file says which wire it is")
    from livesense import bench

    return bench.load(args.bench)


def _address(args: argparse.Namespace, bench: Bench | None) -> Address:
    named = args.bench.name if args.bench is not None else "a bench file"
    return address_of(args, bench, f'PORT, or port = "…" in the [link] table of {named}{LISTS}')

"""The bench file that a command is given, and the port that goes with it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from livesense.errors import UsageError

if TYPE_CHECKING:
    from livesense.bench import Bench
    from livesense.link.address import Address

LISTS = "; `livesense ports` lists what is there"


def opened_bench(args: argparse.Namespace) -> tuple[Bench, Address]:
    """Read the bench file and tell the port; UsageError where there is none."""
    from livesense import bench as bench_file

    bench = bench_file.load(args.bench)
    expected = f'--port, or port = "…" in the [link] table of {args.bench.name}{LISTS}'
    return bench, address_of(args, bench, expected)


def address_of(args: argparse.Namespace, bench: Bench | None, expected: str) -> Address:
    """Tell where to listen: the port that was given, else the bench file's.

    Raises
    ------
    UsageError
        where there is none (the message says what was ``expected``), or it is no port's address.
    """
    from livesense.errors import LinkError
    from livesense.link.address import parse_address

    port = args.port if args.port is not None or bench is None else bench.link.port
    if port is None:
        raise UsageError(f"no port: expected {expected}")
    try:
        return parse_address(port)
    except LinkError as error:
        raise UsageError(str(error)) from error

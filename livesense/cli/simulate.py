"""``livesense simulate``: the simulator's own command line."""

from __future__ import annotations

import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the simulator's options."""
    from simulator.main import add_arguments as add

    add(parser)


def run(args: argparse.Namespace) -> int:
    """Run the simulator."""
    from simulator.main import run_arguments

    return run_arguments(args)

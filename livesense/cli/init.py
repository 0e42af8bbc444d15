"""``livesense init``: a commented bench file to start from."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from livesense.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("file", metavar="FILE", help="where to write it, such as pump.toml (- prints it)")
    parser.add_argument("--force", action="store_true", help="replace a file that is there")


def run(args: argparse.Namespace) -> int:
    """Write the starter file."""
    from livesense.bench.template import starter

    if args.file == "-":
        sys.stdout.write(starter())
        return 0
    path = Path(args.file)
    if path.exists() and not args.force:
        raise UsageError(f"{path} is there already; choose another name, or --force to replace it")
    try:
        path.write_text(starter(), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
    print(f"Wrote {path}. Change it to what is on your bench, then: livesense record {path}")
    return 0

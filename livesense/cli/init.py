"""``livesense init``: a commented bench file to start from; ``--link``: what a link can carry."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from livesense.cli import link_budget
from livesense.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "file", metavar="FILE", nargs="?", help="where to write it, such as pump.toml (- prints it)"
    )
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    link_budget.add_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Write the starter file, or print a link budget."""
    if args.link:
        if args.file is not None:
            raise UsageError(
                f"expected no FILE with --link, which writes none, got {args.file}; leave it out"
            )
        return link_budget.run(args)
    if stray := link_budget.given(args):
        raise UsageError(f"{stray} goes with --link, which prints what a link can carry")
    if args.file is None:
        raise UsageError("expected FILE, where to write the bench file, such as pump.toml; got none")
    return _write(args.file, force=args.force)


def _write(name: str, *, force: bool) -> int:
    from livesense.bench.template import starter

    if name == "-":
        sys.stdout.write(starter())
        return 0
    path = Path(name)
    if path.exists() and not force:
        raise UsageError(f"{path} is there already; choose another name, or --force to replace it")
    try:
        path.write_text(starter(), encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
    print(
        f"Wrote {path}. Set its port (`livesense ports` lists what is there) and change it to what is on "
        f"your bench, then: livesense record {path}"
    )
    return 0

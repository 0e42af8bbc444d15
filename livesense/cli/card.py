"""``livesense card``: the bench card, one page to tape to the bench."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.cli.earlier import check_place, write_whole
from livesense.cli.options import add_json, file_name
from livesense.cli.output import print_json, safe
from livesense.wording import counted

if TYPE_CHECKING:
    from livesense.bench import Bench
    from livesense.card.points import Numbers


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("bench", metavar="BENCH", type=file_name, help="the bench file")
    parser.add_argument(
        "--out",
        metavar="PATH",
        type=file_name,
        help="where to write it: .html (default: BENCH-card.html beside the bench file) or .pdf",
    )
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper (default: a4)")
    parser.add_argument("--force", action="store_true", help="replace an earlier card")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Write the card; with ``--json`` print its numbers, and write only where ``--out`` says."""
    from livesense.bench import load
    from livesense.card.points import numbers

    path = args.out
    if path is None and not args.json:
        path = args.bench.with_name(f"{args.bench.stem}-card.html")
    if path is not None:
        _check(path, force=args.force)
    bench = load(args.bench)
    for warning in bench.warnings:
        print(f"livesense: {safe(warning)}", file=sys.stderr)
    found = numbers(bench)
    sheets = None if path is None else _write(path, args.paper, bench, found)
    if args.json:
        print_json(_facts(bench, found, path, sheets))
    else:
        print(f"Wrote {path}{_said(sheets)}.")
    return 0


def _said(sheets: int | None) -> str:
    if sheets == 1:
        return ", one page"
    more = "more than one page" if sheets is None else counted(sheets, "page")
    return f", {more}: its blocks do not fit on one at a size that can be read"


def _facts(bench: Bench, found: tuple[Numbers, ...], path: Path | None, sheets: int | None) -> dict[str, Any]:
    from livesense.card.build import digest
    from livesense.card.facts import channel_facts

    return {
        "bench": bench.name,
        "sha256": digest(bench),
        "files": [] if path is None else [str(path)],
        "pages": sheets,
        "channels": channel_facts(bench, found),
    }


def _check(path: Path, *, force: bool) -> None:
    from livesense.card.as_html import MARK

    check_place(path, "card", MARK, force=force, suffixes=(".html", ".htm", ".pdf"))


def _write(path: Path, paper_name: str, bench: Bench, found: tuple[Numbers, ...]) -> int | None:
    """Write the card; returns its pages, None where a browser may need more than one."""
    from livesense.card.build import card_of
    from livesense.card.fit import PAPERS, html_size

    card, paper = card_of(bench, found), PAPERS[paper_name]
    pages: int | None
    if path.suffix.lower() == ".pdf":
        from livesense.card.as_pdf import pdf

        data, pages = pdf(card, paper)
    else:
        from livesense.card.as_html import html

        size, fits = html_size(card, paper)
        data, pages = html(card, paper, size).encode("utf-8"), 1 if fits else None
    write_whole(path, data)
    return pages

"""``livesense serve``: the live page of a logbook."""

from __future__ import annotations

import argparse

from livesense.cli.logbooks import usable_logbook
from livesense.cli.options import add_logbook, file_name, tcp_port
from livesense.cli.page import open_browser
from livesense.errors import LinkError, UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "--port", type=tcp_port, default=8050, help="TCP port (default 8050; 0: any free one)"
    )
    parser.add_argument(
        "--bench",
        metavar="FILE",
        type=file_name,
        action="append",
        default=[],
        help="a bench file that the page may record with and edit; repeatable",
    )
    parser.add_argument(
        "--link",
        metavar="URL",
        action="append",
        default=[],
        help="a port that the page may record from beside this computer's own, such as socket://host:port; "
        "repeatable",
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser")
    add_logbook(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    path = usable_logbook(args.logbook)
    _check(args)
    from dashboard.app import Settings, serve

    def ready(url: str) -> None:
        print(f"Live page: {url}", flush=True)
        if not path.exists():
            print(f"There is no logbook {path} yet; the page shows it once a recorder makes it.", flush=True)
        print("Ctrl-C ends it. The address holds a key: who has it can read this logbook.", flush=True)
        if not args.no_browser:
            open_browser(url)

    benches, links = tuple(args.bench), tuple(args.link)
    serve(Settings(logbook=path, port=args.port, benches=benches, links=links), ready)
    return 0


def _check(args: argparse.Namespace) -> None:
    """Refuse bench files that are not there and links that are none; a file may be mended on the page."""
    from livesense.link.address import parse_address

    for path in args.bench:
        if not path.is_file():
            raise UsageError(
                f"{path}: expected a bench file, got {'a directory' if path.is_dir() else 'nothing there'}; "
                "`livesense init` writes one to start from"
            )
    for link in args.link:
        try:
            address = parse_address(link)
        except LinkError as error:
            raise UsageError(f"--link: {error}") from error
        if address.given == "-":
            raise UsageError("--link: expected a port, got '-': a page's recorder has no standard input")

"""``livesense serve``: the live page of a logbook."""

from __future__ import annotations

import argparse

from livesense.cli.logbooks import usable_logbook
from livesense.cli.options import add_logbook, tcp_port
from livesense.cli.page import open_browser


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "--port", type=tcp_port, default=8050, help="TCP port (default 8050; 0: any free one)"
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser")
    add_logbook(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    path = usable_logbook(args.logbook)
    from dashboard.app import Settings, serve

    def ready(url: str) -> None:
        print(f"Live page: {url}", flush=True)
        if not path.exists():
            print(f"There is no logbook {path} yet; the page shows it once a recorder makes it.", flush=True)
        print("Ctrl-C ends it. The address holds a key: who has it can read this logbook.", flush=True)
        if not args.no_browser:
            open_browser(url)

    serve(Settings(logbook=path, port=args.port), ready)
    return 0

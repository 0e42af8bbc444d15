"""``livesense serve``: the live page of a logbook."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from livesense.cli.logbooks import usable_logbook
from livesense.cli.options import add_logbook, file_name, tcp_port
from livesense.cli.page import open_browser
from livesense.errors import LinkError, UsageError

if TYPE_CHECKING:
    from dashboard.share import Share

INSECURE = (
    "livesense: WARNING: unencrypted: whoever is on the network can read the key in the address and all "
    "that is shown, and then start and stop recordings. Use --certificate and --key, or a proxy that "
    "encrypts."
)


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
    parser.add_argument(
        "--share",
        metavar="NAME",
        help="let other computers in, by this name or address of this one; wants --certificate and --key",
    )
    parser.add_argument(
        "--certificate", metavar="FILE", type=file_name, help="with --share: certificate (PEM)"
    )
    parser.add_argument("--key", metavar="FILE", type=file_name, help="with --share: its key (PEM)")
    parser.add_argument(
        "--insecure",
        action="store_true",
        help="with --share: unencrypted; whoever is on the network can read the key and all that is shown",
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser")
    add_logbook(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    path = usable_logbook(args.logbook)
    _check(args)
    from dashboard.app import Settings, serve

    share = _share(args)

    def ready(url: str) -> None:
        print(f"Live page: {url}", flush=True)
        if not path.exists():
            print(f"There is no logbook {path} yet; the page shows it once a recorder makes it.", flush=True)
        may = "read this logbook, record, and edit its bench files" if args.bench else "read this logbook"
        print(f"Ctrl-C ends it. The address holds a key: who has it can {may}.", flush=True)
        if share is not None and not share.encrypted:
            print(INSECURE, file=sys.stderr, flush=True)
        if not args.no_browser:
            open_browser(url)

    benches, links = tuple(args.bench), tuple(args.link)
    serve(Settings(logbook=path, port=args.port, benches=benches, links=links, share=share), ready)
    return 0


def _share(args: argparse.Namespace) -> Share | None:
    """Tell who may come from other computers; refuse what would let them in by mistake."""
    from dashboard.share import Share, check_certificate, host_name

    if args.share is None:
        stray = [option for option in ("certificate", "key", "insecure") if getattr(args, option)]
        if stray:
            raise UsageError(f"--{stray[0]}: expected --share NAME beside it")
        return None
    name = host_name(args.share)
    if args.insecure:
        if args.certificate is not None or args.key is not None:
            raise UsageError("expected --insecure, or --certificate and --key, not both")
        return Share(name)
    if args.certificate is None or args.key is None:
        raise UsageError(
            "--share: expected --certificate FILE and --key FILE, so that nobody on the network reads along; "
            "--insecure does without, behind a proxy that encrypts or on a network of your own"
        )
    share = Share(name, args.certificate, args.key)
    check_certificate(share)
    return share


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

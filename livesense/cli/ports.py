"""``livesense ports``: what this computer calls its serial ports."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from livesense.cli.options import add_json
from livesense.cli.output import print_json, table


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """List the ports."""
    from livesense.link.ports import list_ports

    ports = list_ports()
    if args.json:
        print_json({"ports": [asdict(port) for port in ports]})
    elif ports:
        rows = [
            (p.device, p.description, p.usb_id or "", p.serial_number or "", p.location or "") for p in ports
        ]
        print(table(("port", "description", "USB id", "serial number", "location"), rows))
    else:
        print("No serial ports. Plug the board in (and install its driver, if it needs one), then try again;")
        print("socket://host:port and file:PATH need no port. Without hardware: livesense demo")
    return 0

"""``livesense import FILE``: a COMTRADE or CSV recording becomes a run."""

from __future__ import annotations

import argparse
from pathlib import Path

from livesense.cli.logbooks import usable_logbook
from livesense.cli.options import add_json, add_logbook, file_name
from livesense.cli.output import print_json, safe
from livesense.cli.progress import progress
from livesense.errors import UsageError
from livesense.wording import counted, duration


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument(
        "file", metavar="FILE", type=file_name, help="a .cfg (its .dat beside it), .cff or .csv"
    )
    parser.add_argument(
        "--bench", metavar="BENCH", type=file_name, help="a bench file: names, phases, motor and rules"
    )
    parser.add_argument("--channels", metavar="A,B", help="only these channels")
    parser.add_argument("--rate", metavar="HZ", help="scans a second of a CSV without usable times")
    parser.add_argument("--name", metavar="TEXT", default="", help="name of the run (default: the file's)")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Import a recording."""
    from livesense import bench
    from livesense.importing import ImportSettings, import_recording

    settings = ImportSettings(
        file=args.file,
        logbook=usable_logbook(args.logbook),
        bench=None if args.bench is None else bench.load(Path(args.bench)),
        name=args.name,
        rate_hz=None if args.rate is None else _rate(args.rate),
        channels=None if not args.channels else tuple(name.strip() for name in args.channels.split(",")),
    )
    with progress(quiet=args.quiet) as tell:
        done = import_recording(settings, tell)
    if args.json:
        print_json(done)
        return 0
    lost = f", {done['scans_lost']} lost in {counted(done['gaps'], 'gap')}" if done["gaps"] else ""
    print(
        f"Run {done['run']} in {safe(done['logbook'])}: {safe(args.file.name)}, {duration(done['seconds'])}, "
        f"{done['scans_stored']} scans{lost}, {counted(done['events'], 'event')}"
    )
    for channel in done["channels"]:
        if not channel["state"]:
            words = [channel["name"], channel["unit"] or "no unit"]
            words += [f"phase {channel['phase']}"] if channel["phase"] else []
            words += [channel["circuit"]] if channel["circuit"] else []
            print(f"  {safe(', '.join(words))}")
    states = sum(channel["state"] for channel in done["channels"])
    if states:
        print(f"  and {counted(states, 'state')}")
    for note in done["notes"]:
        print(f"  note: {safe(note)}")
    print(f"Next: livesense measure {done['run']}")
    return 0


def _rate(text: str) -> float:
    from livesense.bench.quantities import QuantityError, value_in

    try:
        value = float(text)
    except ValueError:
        try:
            value = value_in(text, "Hz")
        except QuantityError:
            value = 0.0
    if not 0 < value < 1e12:
        raise UsageError(f'--rate: expected scans a second such as 20000 or "20 kHz", got {text!r}')
    return value

"""``livesense init --link``: whether a scan rate fits a link, and if not, what would."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from decimal import ROUND_FLOOR, Decimal
from typing import Any

from livesense.cli.options import add_json
from livesense.cli.output import print_json, table
from livesense.errors import UsageError
from livesense.linkbudget import (
    CODE_BITS,
    LEFT_OVER,
    LINKS,
    USB_FULL_SPEED,
    USB_HIGH_SPEED,
    Advice,
    Budget,
    Link,
    Stream,
    advice,
    budget,
    highest_rate_hz,
    serial_link,
)

STARTER_BAUD = 3_000_000
"""Of the bench file that ``init`` writes; the defaults of :class:`Stream` are its group's."""

USB = {"full-speed": USB_FULL_SPEED, "high-speed": USB_HIGH_SPEED}

_OPTIONS = ("baud", "usb", "rate", "channels", "code", "bits", "wire", "scans", "json")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add ``--link`` and the options that go with it."""
    group = parser.add_argument_group(
        "link budget",
        "Does a scan rate fit a link? Exit code 1 if not. What is left out is as in the starter file.",
    )
    group.add_argument("--link", action="store_true", help="print a link budget; no file is written")
    through = group.add_mutually_exclusive_group()
    through.add_argument(
        "--baud", metavar="N", type=_whole(50, 100_000_000), help=f"of the serial line ({STARTER_BAUD})"
    )
    through.add_argument("--usb", choices=tuple(USB), help="a virtual serial port, where baud means nothing")
    group.add_argument("--rate", metavar="RATE", type=_rate, help="scans a second, such as 20kHz (20kHz)")
    group.add_argument("--channels", metavar="N", type=_whole(1, 256), help="codes in a scan (4)")
    group.add_argument("--code", choices=tuple(CODE_BITS), help="type of the codes on the wire (u16)")
    group.add_argument("--bits", metavar="N", type=_whole(1, 32), help="width of the ADC's codes (12)")
    group.add_argument("--wire", choices=("framed", "text", "record"), help="how scans are written (framed)")
    group.add_argument(
        "--scans",
        metavar="N",
        type=_whole(1, 4096),
        help="in one packet or record (framed: what 240 bytes and 50 ms hold)",
    )
    add_json(parser)


def given(args: argparse.Namespace) -> str | None:
    """Name an option that says nothing without ``--link``."""
    return next((f"--{name}" for name in _OPTIONS if getattr(args, name)), None)


def run(args: argparse.Namespace) -> int:
    """Print the budget; 1 where it does not fit."""
    link = USB[args.usb] if args.usb else serial_link(args.baud or STARTER_BAUD)
    usual = Stream()
    stream = Stream(
        wire=args.wire or usual.wire,
        channels=args.channels or usual.channels,
        rate_hz=args.rate or usual.rate_hz,
        code=args.code or usual.code,
        bits=args.bits or usual.bits,
        scans=args.scans or 0,
    )
    try:
        found = budget(stream, link)
    except ValueError as error:
        raise UsageError(f"--scans: {error}") from error
    would = advice(stream, link)
    if args.json:
        print_json(_facts(stream, found, would))
    else:
        print(_text(stream, found))
    if not found.leaves_some:
        print(f"livesense: {_warning(found, would)}", file=sys.stderr)
    return 0 if found.fits else 1


def _facts(stream: Stream, found: Budget, would: Advice) -> dict[str, Any]:
    one = found.stream
    return {
        "wire": one.wire,
        "channels": one.channels,
        "rate_hz": one.rate_hz,
        "code": one.code,
        "scans": one.scans,
        "packet_bytes": found.packet_bytes,
        "bytes_per_scan": found.bytes_per_scan,
        "packets_per_s": found.packets_per_s,
        "bytes_per_s": found.bytes_per_s,
        "fits": found.fits,
        **_through(stream, found.link),
        "would_fit": {
            "link": would.link and would.link.name,
            "baud": would.link and would.link.baud,
            "channels": would.channels,
            "rate_hz": would.rate_hz,
            "scans": would.scans,
            "code": would.code,
        },
        "links": [_through(stream, link) for link in LINKS],
    }


def _through(stream: Stream, link: Link) -> dict[str, Any]:
    return {
        "link": link.name,
        "baud": link.baud,
        "link_bytes_per_s": link.bytes_per_s,
        "used_percent": 100 * budget(stream, link).used,
        "rate_highest_hz": highest_rate_hz(stream, link),
    }


def _text(stream: Stream, found: Budget) -> str:
    one = found.stream
    codes = f"{one.bits} bits" if one.wire == "text" else one.code
    highest = highest_rate_hz(stream, found.link)
    called = {"framed": "packet", "record": "record", "text": "line"}[one.wire]
    about = [
        f"{_channels(one)}, {codes}, {one.wire}, through {found.link.name}:",
        f"  a {called:<10} {found.packet_bytes} bytes at most, for {_count(one.scans, 'scan')}: "
        f"{found.bytes_per_scan:.3g} bytes a scan",
        f"  in a second  {found.packets_per_s:.4g} {called}s, {_bytes(found.bytes_per_s)}"
        + (", a description among them" if found.other_bytes_per_s else ""),
        f"  the link     carries {_bytes(found.link.bytes_per_s)}: {_percent(found.used)} used, "
        f"highest scan rate {_highest(highest)}",
    ]
    rows = [
        (
            link.name,
            _bytes(link.bytes_per_s),
            _percent(budget(stream, link).used),
            _highest(highest_rate_hz(stream, link)),
        )
        for link in LINKS
    ]
    return (
        "\n".join(about) + "\n\n" + table(("link", "carries", "used", "highest scan rate"), rows, (1, 2, 3))
    )


def _warning(found: Budget, would: Advice) -> str:
    one, link = found.stream, found.link
    if found.fits:
        said = (
            f"expected a tenth of {link.name} left over for notes and clocks that are off, got "
            f"{_percent(found.used)} used"
        )
    else:
        said = (
            f"expected at most {_bytes(link.bytes_per_s)}, which is what {link.name} carries, got "
            f"{_bytes(found.bytes_per_s)}: {_channels(one)} cannot pass"
        )
    ways = []
    if would.link:
        ways.append(would.link.name)
    if would.scans:
        ways.append(f"--scans {would.scans}")
    if would.code:
        ways.append(f"--code {would.code}")
    if would.channels:
        ways.append(_count(would.channels, "channel"))
    if would.rate_hz:
        ways.append(_highest(would.rate_hz))
    ways.append("bursts into RAM that are sent slowly")
    return f"{said}. What would fit, with {_percent(LEFT_OVER)} left over: {', or '.join(ways)}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _percent(part: float) -> str:
    return f"{100 * part:.0f} %" if part >= 0.01 else f"{100 * part:.1g} %"


def _bytes(bytes_per_s: float) -> str:
    if bytes_per_s >= 1e6:
        return f"{bytes_per_s / 1e6:.4g} MB/s"
    if bytes_per_s >= 1e3:
        return f"{bytes_per_s / 1e3:.4g} kB/s"
    return f"{bytes_per_s:.4g} B/s"


def _channels(one: Stream) -> str:
    return f"{_count(one.channels, 'channel')} at {_hertz(one.rate_hz)}"


def _hertz(rate_hz: float) -> str:
    if rate_hz >= 1000:
        return f"{rate_hz / 1000:.9g} kHz"
    return f"{rate_hz:.9g} Hz"


def _highest(rate_hz: float) -> str:
    """Three digits, rounded down: what is shown as the highest must fit."""
    if not rate_hz:
        return "none"
    # By decimals: a binary fraction below 5.50 kHz is not 5.49.
    exact = Decimal(f"{rate_hz:.12g}")
    place = Decimal(1).scaleb(exact.adjusted() - 2)
    shown = exact.quantize(place, ROUND_FLOOR)
    unit, factor = ("MHz", 6) if shown >= 1_000_000 else ("kHz", 3) if shown >= 1000 else ("Hz", 0)
    return f"{shown.scaleb(-factor):f} {unit}"


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) < 12 and low <= int(text) <= high):
            raise argparse.ArgumentTypeError(f"expected a whole number from {low} to {high}, got {text!r}")
        return int(text)

    return read


def _rate(text: str) -> float:
    from livesense.bench.quantities import QuantityError, rate_hz

    try:
        rate = rate_hz(text if not text.replace(".", "", 1).isdigit() else f"{text} Hz")
    except QuantityError:
        rate = 0.0
    if not 0.001 <= rate <= 1e8:
        raise argparse.ArgumentTypeError(
            f"expected a scan rate from 0.001 Hz to 100 MHz, such as 20kHz, got {text!r}"
        )
    return rate

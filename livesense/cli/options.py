"""Options that several commands share, and how their texts are read."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from livesense.errors import UsageError

LOGBOOK_VARIABLE = "LIVESENSE_LOGBOOK"
DEFAULT_LOGBOOK = "livesense.db"

_UNITS_S = {"ms": 1e-3, "s": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "d": 86400.0, "w": 604800.0}
_PART = r"(\d+(?:\.\d+)?)(ms|min|s|m|h|d|w)"
_LONGEST_S = 1e10


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add ``--json``."""
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")


def add_logbook(parser: argparse.ArgumentParser) -> None:
    """Add ``--logbook``."""
    parser.add_argument(
        "--logbook",
        metavar="FILE",
        type=file_name,
        default=None,
        help=f"the logbook (default: ${LOGBOOK_VARIABLE}, else {DEFAULT_LOGBOOK} in this directory)",
    )


def add_run(parser: argparse.ArgumentParser) -> None:
    """Add the RUN argument."""
    parser.add_argument("run", metavar="RUN", nargs="?", default="last", help="a number, or last (default)")


def add_window(parser: argparse.ArgumentParser) -> None:
    """Add ``--from`` and ``--to``."""
    parser.add_argument("--from", dest="from_s", metavar="S", type=seconds, help="start, seconds of the run")
    parser.add_argument("--to", dest="to_s", metavar="S", type=seconds, help="end (not included)")


def file_name(text: str) -> Path:
    """Read the name of a file."""
    if not text:
        raise argparse.ArgumentTypeError("expected the name of a file, got an empty one")
    return Path(text)


def tcp_port(text: str) -> int:
    """Read a TCP port to listen on; 0 means any free one."""
    if not (text.isascii() and text.isdigit() and len(text) < 8 and int(text) < 65536):
        raise argparse.ArgumentTypeError(f"expected a TCP port from 0 (any free one) to 65535, got {text!r}")
    return int(text)


def baud_rate(text: str) -> int:
    """Read the rate of a serial line, in baud."""
    if not (text.isascii() and text.isdigit() and len(text) < 10 and 50 <= int(text) <= 100_000_000):
        raise argparse.ArgumentTypeError(f"expected a rate such as 115200, got {text!r}")
    return int(text)


def seed(text: str) -> int:
    """Read a seed: a whole number from 0 up."""
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise argparse.ArgumentTypeError(f"expected a whole number from 0 up, got {text!r}")
    return int(text)


def check_window(args: argparse.Namespace) -> None:
    """Refuse a window that ends before it begins."""
    if args.from_s is not None and args.to_s is not None and not args.from_s < args.to_s:
        raise UsageError(f"expected --from before --to, got {args.from_s:g} and {args.to_s:g}")


def run_reference(text: str) -> int | str:
    """Read RUN: a number, or ``last``."""
    if text == "last":
        return text
    if text.isascii() and text.isdigit() and len(text) < 16:
        return int(text)
    raise UsageError(f"expected a run's number or last, got {text!r}; `livesense runs` lists them")


def seconds(text: str) -> float:
    """Read a time from 0 up: ``2.5`` (seconds), or with units as in :func:`span`."""
    return _span(text, "from 0 up", lowest_counts=True)


def span(text: str) -> float:
    """Read a time above zero: ``10`` (seconds), ``500ms``, ``2h``, ``1h30min``, ``3d``; returns seconds."""
    return _span(text, "above zero", lowest_counts=False)


def _span(text: str, what: str, *, lowest_counts: bool) -> float:
    compact = text.replace(" ", "")
    if re.fullmatch(r"\d*\.?\d+(?:[eE][-+]?\d+)?|\d+\.", compact, re.ASCII):
        total = float(compact)
    elif re.fullmatch(f"(?:{_PART})+", compact, re.ASCII):
        total = sum(float(number) * _UNITS_S[unit] for number, unit in re.findall(_PART, compact))
    else:
        comma = " (the decimal sign is a point)" if "," in text else ""
        raise argparse.ArgumentTypeError(f"expected a time such as 10s, 2h or 3d, got {text!r}{comma}")
    if not (0 <= total < _LONGEST_S and (lowest_counts or total > 0)):
        raise argparse.ArgumentTypeError(f"expected a time {what}, got {text!r}")
    return total

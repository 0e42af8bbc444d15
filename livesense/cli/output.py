"""How facts are printed: as one JSON object, or as text with units and uncertainties."""

from __future__ import annotations

import codecs
import json
import math
import os
import re
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from livesense.wording import shown

_PLAIN = {"−": "-", "…": "...", "—": "-", "“": '"', "”": '"', "±": "+/-", "×": "x", "→": "->", "√": "sqrt "}
"""What stands for signs that a console with an old code page lacks; Ω and others become escapes."""


def take_any_text() -> None:
    """Let no sign stop a command on a console with an old code page: standard output and error take all."""
    codecs.register_error("livesense", _without)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="livesense")


def _without(error: UnicodeError) -> tuple[str | bytes, int]:
    if isinstance(error, UnicodeEncodeError):
        first = error.object[error.start]
        if first in _PLAIN:
            return _PLAIN[first], error.start + 1
    return codecs.backslashreplace_errors(error)


def let_go_of_the_reader() -> None:
    """Send what is still to be printed nowhere: the reader of a pipe (head, less) went away."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextmanager
def as_far_as_it_is_read() -> Iterator[None]:
    """Print for a reader that may go away, where the exit code tells something all the same."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        let_go_of_the_reader()


def print_json(facts: Mapping[str, Any]) -> None:
    """Print one JSON object; what is not finite becomes null."""
    # On a stream that cannot hold all signs, JSON's own escapes stand for them.
    utf_8 = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    json.dump(_finite(facts), sys.stdout, ensure_ascii=not utf_8, allow_nan=False)
    sys.stdout.write("\n")


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        # Twelve digits are more than anything measured has; beyond lies what is left of binary fractions.
        return float(f"{value:.12g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_finite(item) for item in value]
    return value


def safe(text: str) -> str:
    r"""Text from a device, a bench file or a logbook for a terminal: control characters as ``\xNN``."""
    return re.sub(
        r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\x0b]",
        lambda match: f"\\x{ord(match.group()):02x}",
        text,
    )


def quantity(estimate: Mapping[str, Any] | None, withheld: str = "") -> str:
    """Write ``4.123 ± 0.021 A`` with the expanded uncertainty (k = 2), as many digits as it allows."""
    figure = None if estimate is None else shown(estimate)
    if figure is None:
        return f"withheld: {withheld}" if withheld else "withheld"
    value = f"{figure.value} ± {figure.expanded}" if figure.expanded else figure.value
    return f"{value} {figure.unit}".rstrip()


def megabytes(size_bytes: int) -> str:
    """Write ``41.2 MB``, or ``12 kB`` for what is smaller than that."""
    return f"{size_bytes / 1e6:.1f} MB" if size_bytes >= 1e5 else f"{size_bytes / 1e3:.0f} kB"


def table(header: Sequence[str], rows: Iterable[Sequence[Any]], right: Iterable[int] = ()) -> str:
    """Lay out rows under a header; columns listed in ``right`` are aligned to the right."""
    cells = [[safe(str(cell)) for cell in row] for row in [header, *rows]]
    widths = [max(len(row[column]) for row in cells) for column in range(len(header))]
    aligned = set(right)
    return "\n".join(
        "  ".join(
            cell.rjust(width) if column in aligned else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    )

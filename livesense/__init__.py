"""Trustworthy phase-current measurement for three-phase motor drives.

Importing this package loads nothing heavy: ask for the module you need. :func:`open` gives a logbook to
Python; docs/api.md shows how.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from os import PathLike

    from livesense.api import Logbook

__version__ = "0.1.0"


def open(path: str | PathLike[str] = "livesense.db") -> Logbook:
    """Open a logbook for reading.

    Raises
    ------
    LogbookError
        No such file, or no logbook.

    Examples
    --------
    >>> import livesense
    >>> with livesense.open("livesense.db") as book:  # doctest: +SKIP
    ...     print(book.last.measure(2, 4)["channels"]["iu"]["rms"])
    """
    from pathlib import Path

    from livesense.api import Logbook

    return Logbook(Path(path))

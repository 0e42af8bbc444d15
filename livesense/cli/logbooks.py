"""Which file a command takes for its logbook, and why it refuses one before anything is opened or made."""

from __future__ import annotations

import os
import time
from pathlib import Path

from livesense.cli.options import DEFAULT_LOGBOOK, LOGBOOK_VARIABLE
from livesense.errors import LogbookError, NewerLogbookError, NoLogbookError, UsageError

BEGINNING_S = 1.0
"""A recorder that was started together with the page makes its file's tables within this time."""


def logbook_path(given: Path | None) -> Path:
    """Tell which logbook is meant."""
    if given is not None:
        return given
    return Path(os.environ.get(LOGBOOK_VARIABLE) or DEFAULT_LOGBOOK)


def usable_logbook(given: Path | None) -> Path:
    """Tell which logbook is meant, and refuse what can never be one; it need not be there yet.

    Raises
    ------
    UsageError
        for a folder that is missing, and a file that cannot be read or is damaged.
    NoLogbookError, NewerLogbookError
        for a folder, a file that is no logbook, or one that a newer livesense wrote.
    """
    path = logbook_path(given)
    if not path.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}; make it, or name another with --logbook")
    from livesense.logbook.reader import Logbook

    try:
        while path.exists() and (path.is_dir() or path.stat().st_size):
            try:
                Logbook(path).close()
                break
            except (NoLogbookError, NewerLogbookError):
                if time.time() - path.stat().st_mtime > BEGINNING_S:
                    raise
            except LogbookError as error:
                if time.time() - path.stat().st_mtime > BEGINNING_S:
                    raise UsageError(str(error)) from error
            time.sleep(0.1)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror or error}") from error
    return path


def existing_logbook(given: Path | None) -> Path:
    """Tell which logbook is meant, and refuse one that is not there.

    Raises
    ------
    LogbookError
        when there is none.
    """
    path = logbook_path(given)
    if not path.exists():
        raise LogbookError(
            f"there is no logbook {str(path)!r}; name one with --logbook, or make one with `livesense record`"
        )
    return path

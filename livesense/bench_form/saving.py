"""Writing a bench file: whole or not at all, the one before it kept beside it."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import tempfile
from pathlib import Path

from livesense.bench import load, parse
from livesense.errors import BenchError, UsageError

BACKUP = ".bak"


def digest(text: str) -> str:
    """SHA-256 of a text, to tell whether a file is still the one that was read."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def read_text(path: Path) -> str:
    """Read a bench file's text, whether it can be used or not.

    Raises
    ------
    BenchError
        when it cannot be read.
    """
    try:
        # Line ends stay as they are.
        return path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError):
        # Its own words for both.
        load(path)
        raise BenchError(f"{path.name}: cannot be read now; try again") from None


def save(path: Path, text: str, was: str) -> str:
    """Replace a bench file by another text, and keep the file as it was beside it; hands back the digest.

    ``was`` is the digest of the text that was edited.

    Raises
    ------
    BenchError
        The new text is no bench that can be used: nothing is written.
    UsageError
        The file was changed meanwhile, or cannot be written: it stays as it is.
    """
    parse(text, str(path))
    # Where a link leads, or the link would become a file.
    path = path.resolve()
    if digest(read_text(path)) != was:
        raise UsageError(f"{path.name} was changed meanwhile by somebody else: load it again, then edit")
    new = None
    try:
        backup = path.with_name(path.name + BACKUP)
        with tempfile.NamedTemporaryFile(
            "wb", dir=path.parent, prefix=f".{path.name}.", suffix=".new", delete=False
        ) as file:
            new = Path(file.name)
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        shutil.copymode(path, new)
        _copy(path, backup)
        os.replace(new, path)
    except OSError as error:
        if new is not None:
            with contextlib.suppress(OSError):
                new.unlink()
        raise UsageError(
            f"{path.name} cannot be written: {error.strerror or error}; it stays as it was"
        ) from error
    return digest(text)


def _copy(path: Path, backup: Path) -> None:
    """Copy a file so that an earlier backup is replaced whole."""
    between = backup.with_name(backup.name + ".new")
    shutil.copy2(path, between)
    os.replace(between, backup)

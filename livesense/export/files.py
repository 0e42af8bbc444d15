"""Files that are whole or not there: all are written under other names, and renamed at the end."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from livesense.errors import LivesenseError, UsageError

Ours = Callable[[Path], bool]
"""Tells whether a file that is there is an earlier export; may raise OSError."""


class Outputs:
    """The files of one export.

    Leaving the ``with`` block by an error, Ctrl-C included, takes away all that was begun; only
    :meth:`keep` makes the files appear. A process that is killed leaves ``.NAME.PID.part``.

    Raises
    ------
    UsageError
        from the block: a file cannot be written, the disk is full.
    """

    def __init__(self, *, replace: bool) -> None:
        self._replace = replace
        self._parts: dict[Path, Path] = {}

    def __enter__(self) -> Self:
        return self

    def part(self, path: Path, ours: Ours, suffix: str = "") -> Path:
        """Begin a file: hand back the name to write to, in the same folder.

        ``suffix`` is for writers that insist on one.

        Raises
        ------
        UsageError
            The file is there and is no export, or must not be replaced.
        """
        self.check_free(path, ours)
        part = path.with_name(f".{path.name}.{os.getpid()}.part{suffix}")
        self._parts[path] = part
        return part

    def check_free(self, path: Path, ours: Ours) -> None:
        """Refuse to write over an earlier export unasked, and over anything else at all."""
        if not path.exists():
            return
        if not path.is_file():
            raise UsageError(f"{path} is not a file; choose another name with --out")
        try:
            # A logbook cannot be had again.
            known = not path.stat().st_size or ours(path)
        except OSError as error:
            raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
        if not known:
            raise UsageError(f"{path} is there already and is no export; choose another name with --out")
        if not self._replace:
            raise UsageError(
                f"{path} is there already; choose another name with --out, or --force to replace it"
            )

    def keep(self) -> list[Path]:
        """Give all files their names; hands back those, in the order they were begun."""
        kept = list(self._parts)
        # Last things first: the first file is the one that others are looked up by.
        for path in reversed(kept):
            self._parts[path].replace(path)
        self._parts.clear()
        return kept

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        names = ", ".join(map(str, self._parts))
        for part in self._parts.values():
            part.unlink(missing_ok=True)
        if isinstance(error, OSError) and not isinstance(error, LivesenseError):
            raise UsageError(f"cannot write {names}: {error.strerror or error}") from error


def numbered(path: Path, position: int, group: int) -> Path:
    """Name of a group's file: ``PATH`` for the first, ``PATH`` with ``-gN`` before the suffix for others."""
    return path if position == 0 else path.with_name(f"{path.stem}-g{group}{path.suffix}")


def begins(path: Path, count: int = 256) -> bytes:
    """Read the first bytes of a file."""
    with path.open("rb") as file:
        return file.read(count)

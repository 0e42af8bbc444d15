"""Files that a command writes: nothing else is replaced by one, and an earlier one only when asked for."""

from __future__ import annotations

from pathlib import Path

from livesense.errors import UsageError

LARGEST_LOOKED_AT = 1 << 28
"""Bytes that are looked through for the mark of an earlier file."""


def check_place(path: Path, what: str, mark: str, *, force: bool, suffixes: tuple[str, ...] = ()) -> None:
    """Refuse another suffix, and to replace what does not hold the mark of an earlier file of this kind.

    Parameters
    ----------
    path
        Where it is to be written.
    what
        Its kind, as in "an earlier card".
    mark
        What stands in every such file.
    force
        Whether an earlier one may be replaced.
    suffixes
        Allowed ones, of which the first and the last are named; none where any will do.

    Raises
    ------
    UsageError
        with what was expected and what is there.
    """
    if suffixes and path.suffix.lower() not in suffixes:
        named = " or ".join(dict.fromkeys((suffixes[0], suffixes[-1])))
        raise UsageError(f"expected --out to end in {named}, got {path}")
    if not path.exists():
        return
    if not force:
        where = " with --out" if suffixes else ""
        choose = f"choose another name{where}, or --force to replace an earlier {what}"
        raise UsageError(f"{path} is there already; {choose}")
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_LOOKED_AT)
    except OSError as error:
        raise UsageError(f"cannot replace {path}: {error.strerror or error}") from error
    if mark.encode() not in data:
        raise UsageError(
            f"expected an earlier {what} to replace, got something else in {path}; choose another name"
        )


def write_whole(path: Path, data: bytes) -> None:
    """Write all of a file or nothing: no half one stands under its name.

    Raises
    ------
    UsageError
        where it cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        try:
            part.write_bytes(data)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error

"""Numbers as a file holds them, and the form of a query; by itself: a list of runs loads nothing heavy."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from livesense.errors import DamagedBlockError

Values = Sequence[object] | Mapping[str, object]
Select = Callable[[str, Values], list[tuple[Any, ...]]]


def whole(value: object, name: str) -> int:
    """Check a number as stored; a file may hold anything in any column."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    raise DamagedBlockError(f"expected a whole number for {name}, found {type(value).__name__}")


def whole_of(run: int, value: object, name: str) -> int:
    """Check a number as :func:`whole` does; the error names the run."""
    try:
        return whole(value, name)
    except DamagedBlockError as error:
        raise DamagedBlockError(f"run {run}: {error}") from error

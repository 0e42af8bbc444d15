"""Copies of the program under another package name, each with one mistake made by hand."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import livesense

Change = tuple[str, str, str]
"""File, what is right, what is wrong."""

Copy = TypeVar("Copy")


def copy(directory: Path, package: str, sources: Sequence[str], change: Change | None) -> None:
    """Write some sources under another package name, with one change."""
    origin = Path(livesense.__file__).parent
    for source in sources:
        code = (origin / source).read_text(encoding="utf-8")
        if change is not None and source == change[0]:
            assert code.count(change[1]) == 1, (
                f"{change[1]!r} stands {code.count(change[1])} times in {source}"
            )
            code = code.replace(change[1], change[2])
        target = directory / package / source
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(code.replace("livesense.", f"{package}."), encoding="utf-8")
    (directory / package / "__init__.py").write_text("", encoding="utf-8")


@contextmanager
def copies(
    directory: Path, sources: Sequence[str], load: Callable[[str], Copy]
) -> Iterator[Callable[[Change | None], Copy]]:
    """Make copies and load them; what was loaded is forgotten in the end."""
    made: list[str] = []

    def make(change: Change | None) -> Copy:
        package = f"changed_{abs(hash((change, tuple(sources))))}"
        made.append(package)
        copy(directory, package, sources, change)
        return load(package)

    yield make
    for name in [name for name in sys.modules if name.split(".")[0] in made]:
        del sys.modules[name]

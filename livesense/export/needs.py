"""Libraries that only some commands need, and the message where they are missing."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from typing import Any

from livesense.errors import UsageError


def needed(module: str, extra: str, what: str) -> Any:
    """Load a library of an extra.

    Raises
    ------
    UsageError
        It is not installed, or cannot be loaded.
    """
    try:
        return import_module(module)
    except ImportError as error:
        found = "an installation that does not load" if _is_there(module) else "no such library"
        raise UsageError(
            f"{what}: expected the library {module} of the extra {extra!r}, found {found} ({error}); "
            f"pip install 'livesense[{extra}]'"
        ) from error


def _is_there(module: str) -> bool:
    try:
        return find_spec(module) is not None
    except (ImportError, ValueError):
        return False

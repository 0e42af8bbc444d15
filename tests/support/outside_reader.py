"""Readers of other people that tests hold our files against: in CI they must be there."""

from __future__ import annotations

import importlib
import os
from typing import Any

import pytest


def outside_reader(module: str) -> Any:
    """Load a library of the extra `test`; skip without it, but fail where CI is set."""
    try:
        return importlib.import_module(module)
    except ImportError as error:
        reason = f"{module} is not installed (pip install -e '.[test]'): {error}"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)

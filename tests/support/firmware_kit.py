"""Where the firmware kit is, and compilers that are there or not."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).parents[2] / "firmware"

WARNINGS = ["-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror"]


def compiler(name: str, *, ci_has_it: bool = True) -> str:
    """Path of a compiler; without it the test is skipped, or fails where CI should have it."""
    found = shutil.which(name)
    if found is None:
        if ci_has_it and os.environ.get("CI"):
            pytest.fail(f"CI compiles the firmware kit: install {name}")
        pytest.skip(f"no {name} here: install it to compile the firmware kit")
    return found

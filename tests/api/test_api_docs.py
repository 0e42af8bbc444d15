"""The examples of docs/api.md, run as they stand there."""

from __future__ import annotations

import doctest
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

DOCS = Path(__file__).parents[2] / "docs" / "api.md"


@pytest.fixture
def pump(livesense: Callable[..., Any]) -> None:
    """The logbook that the page says how to make."""
    text = DOCS.read_text(encoding="utf-8")
    commands = re.findall(r"^    livesense (.*)$", text, flags=re.MULTILINE)
    assert len(commands) == 3
    for command in commands:
        assert livesense(*command.split()).code == 0


def test_the_examples_hold(pump: None) -> None:
    found = doctest.testfile(str(DOCS), module_relative=False, encoding="utf-8", optionflags=doctest.ELLIPSIS)
    assert found.attempted > 20
    assert found.failed == 0


def test_the_five_lines_at_the_top_run(pump: None) -> None:
    first = DOCS.read_text(encoding="utf-8").split("Everything is read")[0]
    code = "\n".join(line[4:] for line in first.splitlines() if line.startswith("    "))
    names: dict[str, Any] = {}
    exec(code, names)
    assert names["rms"]["unit"] == "A"
    assert len(names["iu"].values) == 40_000
    names["book"].close()

"""docs/scripting.md names every verdict and every hint."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import livesense.listen
from livesense.listen.rows import UNCOUNTED, WELL, Verdict

DOCS = (Path(__file__).parents[2] / "docs" / "scripting.md").read_text(encoding="utf-8")
PART = DOCS.split("## `listen PORT`")[1].split("\n## ")[0]
WIRE = (Path(__file__).parents[2] / "docs" / "wire.md").read_text(encoding="utf-8")
SOURCES = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted(Path(livesense.listen.__file__).parent.glob("*.py"))
)
KEYS = set(re.findall(r'Hint\(\s*"(\w+)"', SOURCES)) | {"baud_too_high", "baud_too_low", "wire_framed"}


@pytest.mark.parametrize("verdict", sorted(WELL | UNCOUNTED | {Verdict.MISFIT}))
def test_every_verdict_that_is_no_fault_is_explained(verdict: Verdict) -> None:
    assert f"`{verdict}`" in PART


@pytest.mark.parametrize("verdict", sorted(set(Verdict) - WELL - UNCOUNTED - {Verdict.MISFIT}))
def test_every_fault_is_one_of_the_wires(verdict: Verdict) -> None:
    assert f"`{verdict}`" in WIRE


@pytest.mark.parametrize("key", sorted(KEYS))
def test_every_hint_is_named(key: str) -> None:
    assert f"`{key}`" in PART


def test_the_hints_were_found() -> None:
    assert len(KEYS) > 25

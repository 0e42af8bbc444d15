"""What docs/scripting.md says: its sections, and the keys in their examples."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

DOCS = Path(__file__).parents[2] / "docs" / "scripting.md"
BY_NAME = ("channels", "angles_deg", "temperatures", "withheld", "faults", "three_phase_by_place")
"""Objects whose keys are names of channels, phases, places, figures or faults."""


def sections() -> dict[str, str]:
    parts = re.split(r"^## `([a-z]+)[^`]*`.*$", DOCS.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]
    return dict(zip(parts[::2], (part.split("\n## ")[0] for part in parts[1::2]), strict=True))


def without_parts(section: str) -> str:
    """A section up to its first part with a heading of its own."""
    return section.split("\n### ")[0]


def part(section: str, heading: str) -> str:
    """A part of a section, by its heading."""
    return section.split(f"\n### `{heading}`")[1].split("\n### ")[0]


def keys(value: Any, under: str = "") -> Iterator[str]:
    """Every key of an answer, but those that are names."""
    if isinstance(value, list):
        for item in value:
            yield from keys(item, under)
    elif isinstance(value, dict):
        for key, item in value.items():
            if under not in BY_NAME:
                yield key
            yield from keys(item, key)


def in_examples(section: str) -> set[str]:
    """Keys in the JSON examples of a section."""
    blocks = "\n".join(line for line in section.splitlines() if line.startswith("    "))
    return set(re.findall(r'"([A-Za-z_][A-Za-z0-9_]*)":', blocks))

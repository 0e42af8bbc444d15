"""Writes livesense/bench/purposes.py from the tables of docs/bench-file.md.

To be run when those change, and `ruff format` on what it wrote after it.
"""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs" / "bench-file.md"
PURPOSES = ROOT / "livesense" / "bench" / "purposes.py"

SECTION = re.compile(r"^##+ \[+(?P<table>[a-z.]+)\]+$", re.MULTILINE)
ROW = re.compile(r"^\| `(?P<key>[a-z0-9_]+)` \| (?P<purpose>.*?) \| .* \|$", re.MULTILINE)
LINK = re.compile(r"\[([^\]]*)\]\([^)]*\)")

HEAD = '''"""What each key of a bench file says, for forms: words of docs/bench-file.md, held to it by a test.

Made by tests/support/purposes_from_docs.py.
"""

PURPOSES: dict[str, dict[str, str]] = {
'''


def purposes() -> dict[str, dict[str, str]]:
    """Table → key → what it says, as plain text."""
    parts = SECTION.split(DOCS.read_text(encoding="utf-8"))[1:]
    found = {}
    for table, section in zip(parts[::2], parts[1::2], strict=True):
        first = section.split("\n### ")[0]
        found[table] = {row["key"]: _plain(row["purpose"]) for row in ROW.finditer(first)}
    return found


def _plain(text: str) -> str:
    return LINK.sub(r"\1", text).replace("`", "").replace(" ()", "").strip()


def written() -> str:
    lines = [HEAD]
    for table, keys in purposes().items():
        lines.append(f"    {table!r}: {{\n".replace("'", '"'))
        for key, text in keys.items():
            lines.append(f'        "{key}": (\n')
            lines += [f"            {_quoted(piece)}\n" for piece in _pieces(text)]
            lines.append("        ),\n")
        lines.append("    },\n")
    return "".join([*lines, "}\n"])


def _pieces(text: str) -> list[str]:
    found, words = [], re.findall(r"\S+\s*", text)
    for word in words:
        if found and len(found[-1]) + len(word) < 80:
            found[-1] += word
        else:
            found.append(word)
    return found


def _quoted(text: str) -> str:
    if '"' in text:
        return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"
    return '"' + text.replace("\\", "\\\\") + '"'


if __name__ == "__main__":
    PURPOSES.write_text(written(), encoding="utf-8")

"""A bench file's text with single keys changed; everything else stays as it is, comments too."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable

from livesense.checks.findings import Edit, toml_value

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-]+)\s*\]\]?\s*(#.*)?$")


def edited(text: str, edits: Iterable[Edit]) -> str:
    """Apply edits one after the other.

    Raises
    ------
    ValueError
        when a table cannot be found in the text, or the key is written over several lines.
    """
    for edit in edits:
        text = _apply(text, edit)
    return text


def _apply(text: str, edit: Edit) -> str:
    lines = text.split("\n")
    begin, end = _table(lines, edit)
    key = re.compile(rf"^(\s*)(?:{re.escape(edit.key)}|\"{re.escape(edit.key)}\")\s*=\s*(.*)$")
    value = toml_value(edit.value)
    for number in range(begin, end):
        found = key.match(lines[number])
        if found is None:
            continue
        rest, ending = found[2].rstrip("\r"), "\r" if found[2].endswith("\r") else ""
        comment = _comment_of(f"{edit.key} = {rest}")
        lines[number] = f"{found[1]}{edit.key} = {value}{comment}{ending}"
        return "\n".join(lines)
    last = max((n for n in range(begin, end) if lines[n].strip()), default=begin - 1)
    ending = "\r" if lines[0].endswith("\r") else ""
    lines.insert(last + 1, f"{edit.key} = {value}{ending}")
    return "\n".join(lines)


def _comment_of(line: str) -> str:
    """Return the comment at the end of a line of TOML, with the space before it."""
    for place in (m.start() for m in re.finditer("#", line)):
        try:
            tomllib.loads(line[:place])
        except tomllib.TOMLDecodeError:
            continue
        return "  " + line[place:]
    try:
        tomllib.loads(line)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(
            f"{line.split('=')[0].strip()} is written over several lines: change it by hand"
        ) from error
    return ""


def _table(lines: list[str], edit: Edit) -> tuple[int, int]:
    """Lines ``[begin, end)`` of the table's own keys, after its header."""
    count = -1
    for number, line in enumerate(lines):
        header = _HEADER.match(line.rstrip("\r"))
        if header is None or header[2] != edit.table:
            continue
        count += 1
        end = next(
            (n for n in range(number + 1, len(lines)) if _HEADER.match(lines[n].rstrip("\r"))), len(lines)
        )
        if edit.table == "channel":
            own = "\n".join(lines[number + 1 : end])
            try:
                name = tomllib.loads(own).get("name")
            except tomllib.TOMLDecodeError:
                name = None
            if name != edit.channel:
                continue
        elif edit.table == "group" and count != edit.number:
            continue
        return number + 1, end
    where = f'channel "{edit.channel}"' if edit.table == "channel" else f"{edit.place}"
    raise ValueError(
        f"{where} was not found as a table of its own in the bench file: change {edit.key} by hand"
    )

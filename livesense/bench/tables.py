"""Reading a bench file table by table: unknown keys, wrong values, and the messages about them."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from pathlib import PureWindowsPath
from typing import Any, NoReturn

from livesense.bench.keys import REPEATED, TABLES, Key
from livesense.bench.values import Unfit, listed
from livesense.errors import BenchError

LONGEST_SHOWN = 60
"""Characters of a wrong value that a message repeats."""

NOTHING = object()
"""Stands for a value that is not there."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where in which file; makes the messages."""

    file: str
    name: str

    def fail(self, key: str, expected: str, got: Any = NOTHING) -> NoReturn:
        """Raise the error for one key of this place."""
        where = ": ".join(part for part in (self.file, self.name, key) if part)
        raise BenchError(f"{where}: expected {expected}, got {shown(got)}")

    def later(self, key: str, got: Any) -> NoReturn:
        """Raise the error for something that this version does not do."""
        self.fail(key, "nothing here (known, but this version does not do it yet)", got)

    def read(self, given: Mapping[str, Any], keys: Mapping[str, Key]) -> dict[str, Any]:
        """Read every key of a table; keys that were left out are absent from the result."""
        found = {}
        for key, value in given.items():
            if key not in keys:
                self.unknown(key, keys, "key")
            try:
                found[key] = keys[key].read(value)
            except Unfit as unfit:
                self.fail(key, str(unfit), value)
        return found

    def refuse_later(self, given: Mapping[str, Any], keys: Mapping[str, Key]) -> None:
        """Refuse keys whose function is not built."""
        for key, value in given.items():
            if keys[key].later:
                self.later(key, value)

    def unknown(self, key: str, known: Mapping[str, Any], what: str) -> NoReturn:
        """Refuse a key that is not known; names the nearest that is."""
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
        if near:
            self.fail(_plain(key), f'a known {what} (nearest: "{near[0]}")', key)
        self.fail(_plain(key), f"one of {listed([*known]) if known else 'none'}", key)


def shown(value: Any) -> str:
    """Write a value as in the file, shortened; control characters escaped."""
    if value is NOTHING:
        return "nothing"
    if isinstance(value, str):
        if len(value) > LONGEST_SHOWN:
            value = value[: LONGEST_SHOWN - 1] + "…"
        return _escaped(json.dumps(value, ensure_ascii=False))
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) > 10**LONGEST_SHOWN:
        return "a number of more than 60 digits"
    if isinstance(value, int | float | date | time):
        return str(value)
    if isinstance(value, dict):
        return "a table"
    whole = "[" + ", ".join(shown(item) for item in value[:8]) + (", …]" if len(value) > 8 else "]")
    return whole if len(whole) <= 2 * LONGEST_SHOWN else f"a list of {len(value)}"


def _escaped(text: str) -> str:
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def _plain(key: str) -> str:
    return _escaped(key if len(key) <= LONGEST_SHOWN else key[: LONGEST_SHOWN - 1] + "…")


def file_name(path: str) -> str:
    """Name of the file alone, whichever system the path was made on."""
    return PureWindowsPath(path).name or "bench file"


def tables(text: str, file: str) -> dict[str, Any]:
    """Read the TOML and check which tables there are; ``[[…]]`` ones are lists of tables."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BenchError(syntax_message(str(error), file)) from error
    except RecursionError as error:
        raise BenchError(
            f"{file}: expected a bench file, got brackets within brackets without end"
        ) from error
    except ValueError as error:
        # Python refuses to read whole numbers of more than a few thousand digits.
        raise BenchError(f"{file}: expected a bench file, got a number of thousands of digits") from error
    top = Place(file, "")
    known = {name: keys for name, keys in TABLES.items() if "." not in name}
    for name, value in document.items():
        if name not in known:
            top.unknown(name, known, "table")
        if name in REPEATED:
            if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
                top.fail(name, f"[[{name}]] with two brackets, once for each {name}", value)
        elif not isinstance(value, dict):
            top.fail(name, f"a table that begins with [{name}]", value)
    return document


def syntax_message(message: str, file: str) -> str:
    """Write the parser's complaint in the shape of all others: file, line, expected, got."""
    found = re.fullmatch(
        r"(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|(?P<end>.*))\)", message, re.S
    )
    if found is None:
        return f"{file}: expected TOML, got: {message}"
    where = f"line {found['line']}, column {found['column']}" if found["line"] else found["end"]
    what = _escaped(found["what"])
    return (
        f'{file}: {where}: expected TOML such as key = "value", got an error: {what[:1].lower() + what[1:]}'
    )

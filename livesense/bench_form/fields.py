"""Keys of a bench file as fields of a form: what each takes, and its value as the text of a field."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from livesense.bench import Sensor
from livesense.bench.keys import REPEATED, REQUIRED, REQUIRED_OF_WATCH, TABLES, WAYS, Key
from livesense.bench.purposes import PURPOSES
from livesense.bench.values import Unfit

LOCKED = {"link": ("port", "on_open", "dtr", "rts")}
"""Keys that a form shows and never changes: what is opened, and what is sent there."""

WORDS = {"bench": "Bench", "link": "Link", "link.record": "Record", "group": "Group", "adc": "Converter"} | {
    "motor": "Motor", "channel": "Channel", "watch": "Rule", "limits": "Limits", "keep": "Retention"
}  # fmt: skip

_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Field:
    """One key: ``form`` is text, number, yes-no, list, numbers or table; ``choices`` are words, or none.

    ``only`` names the sensors (or kinds of rule) that have it, ``needed`` those that cannot do without it,
    or not without what may stand for it; ``needed`` holds "" where all need it. ``both``: one text, or a
    list of two.
    """

    key: str
    form: str
    example: str
    default: str
    purpose: str
    choices: tuple[str, ...]
    only: tuple[str, ...]
    needed: tuple[str, ...]
    locked: bool
    both: bool = False


def fields(table: str) -> tuple[Field, ...]:
    """List the fields of a table, in the order of their docs; keys without a function are left out."""
    return tuple(_field(table, name, key) for name, key in TABLES[table].items() if _shown(table, name, key))


def _shown(table: str, name: str, key: Key) -> bool:
    return not key.later and not (table == "link" and name == "record")


def _field(table: str, name: str, key: Key) -> Field:
    example = tomllib.loads(f"x = {key.example}")["x"]
    form = {str: "text", bool: "yes-no", int: "number", float: "number", list: "list", dict: "table"}[
        type(example)
    ]
    if form == "list" and not any(isinstance(item, str) for item in example):
        form = "numbers"
    return Field(
        name,
        form,
        text_of(example),
        key.default.replace("`", "").replace('"', ""),
        PURPOSES.get(table, {}).get(name, ""),
        ("true", "false") if form == "yes-no" else _choices(key),
        tuple(map(str, key.only)),
        _needed(table, name, key),
        name in LOCKED.get(table, ()),
        table == "limits" and form != "number",
    )


def _choices(key: Key) -> tuple[str, ...]:
    """Words that a key takes and nothing else: those that its own message names."""
    try:
        key.read(object())
    except Unfit as unfit:
        words = re.findall(r'"([^"]*)"', str(unfit))
        left = re.sub(r'"[^"]*"|,| or ', "", str(unfit)).strip()
        return tuple(words) if len(words) > 1 and not left else ()
    except (TypeError, ValueError, AttributeError):
        return ()
    return ()


def _needed(table: str, name: str, key: Key) -> tuple[str, ...]:
    if table == "channel":
        who = tuple(str(sensor) for sensor in Sensor if name in _wanted(sensor))
        return ("",) if name in ("name", "sensor") else who
    if table == "watch":
        if name in ("kind", "channels"):
            return ("",)
        return tuple(kind for kind, names in REQUIRED_OF_WATCH.items() if name in names)
    return () if key.default else ("",)


def _wanted(sensor: Sensor) -> set[str]:
    return {*REQUIRED[sensor], *(key for way in WAYS.get(sensor, ()) for key in way)}


def text_of(value: Any) -> str:
    """Write a value as the text of a field; lists are joined by commas, tables stand as TOML has them."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(text_of(item) for item in value)
    return str(value)


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return text_of(value)


def _key(name: Any) -> str:
    text = str(name)
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text) else _toml(text)


def value_of(field: Field, text: str, *, sensor: str = "") -> Any:
    """Read the text of a field as TOML has the value; what is none stays text, to be refused by name."""
    text = text.strip()
    if field.form == "yes-no":
        return {"true": True, "false": False}.get(text, text)
    if field.both:
        # One value, or the least and the most. A comma within a number has no space behind it.
        parts = [_comma(part.strip()) for part in re.split(r",\s+|;", text) if part.strip()]
        return parts if len(parts) > 1 else _comma(text)
    if field.form == "list":
        return [part.strip() for part in text.split(",") if part.strip()]
    if field.form == "numbers":
        # Commas with a space behind them part numbers; those without do where nothing else parts them.
        parts = [part for part in re.split(r"[,;]?\s+|;", text) if part]
        parts = text.split(",") if len(parts) == 1 else parts
        return [_plain_number(_comma(part.strip())) for part in parts]
    if field.form == "table":
        try:
            return tomllib.loads(f"x = {text}")["x"]
        except (tomllib.TOMLDecodeError, RecursionError, ValueError):
            return text
    text = _comma(text)
    # A direct channel's scale and zero are counted in codes; everything else that is a text has a unit.
    if field.form == "number" or (sensor == Sensor.DIRECT and field.key in ("scale", "zero")):
        return _plain_number(text)
    return text


def _comma(text: str) -> str:
    """Read a decimal comma as a point, where it can be nothing else."""
    return re.sub(r"^([^,.]*\d),(\d[^,.]*)$", r"\1.\2", text)


def _plain_number(text: str) -> Any:
    if not _NUMBER.fullmatch(text) or len(text) > 40:
        return text
    return int(text) if re.fullmatch(r"[+-]?\d+", text) else float(text)


def form_of(document: Mapping[str, Any]) -> dict[str, Any]:
    """Write a document as a form: texts by key, by table; of ``[[…]]`` tables a list, each with its place.

    ``[link.record]`` stands beside the others under its whole name. Keys that no table has are left out:
    they are no fields, and stay in the file as they are.
    """
    form: dict[str, Any] = {}
    for table in TABLES:
        if table in REPEATED:
            given = document.get(table, [])
            rows = given if isinstance(given, list) else []
            form[table] = [
                {"was": number, "keys": _texts(table, row)}
                for number, row in enumerate(rows)
                if isinstance(row, Mapping)
            ]
            continue
        found: Any = document
        for part in table.split("."):
            found = found.get(part, {}) if isinstance(found, Mapping) else {}
        form[table] = _texts(table, found) if isinstance(found, Mapping) else {}
    return form


def _texts(table: str, given: Mapping[str, Any]) -> dict[str, str]:
    known = {field.key for field in fields(table)}
    return {key: text_of(value) for key, value in given.items() if key in known}

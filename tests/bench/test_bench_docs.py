"""docs/bench-file.md and the table of keys hold each other."""

import re
import tomllib
from pathlib import Path

import pytest

from livesense.bench import Sensor, parse
from livesense.bench.keys import REQUIRED, TABLES, Key

DOCS = Path(__file__).parents[2] / "docs" / "bench-file.md"
SECTION = re.compile(r"^##+ \[+(?P<table>[a-z.]+)\]+$", re.MULTILINE)
ROW = re.compile(r"^\| `(?P<key>[a-z0-9_]+)` \| (?P<rest>.*) \|$", re.MULTILINE)


def documented() -> dict[str, dict[str, list[str]]]:
    """Table → key → the cells behind the key."""
    text = DOCS.read_text(encoding="utf-8")
    parts = SECTION.split(text)[1:]
    tables: dict[str, dict[str, list[str]]] = {}
    for table, section in zip(parts[::2], parts[1::2], strict=True):
        first = section.split("\n### ")[0]
        tables[table] = {row["key"]: row["rest"].split(" | ") for row in ROW.finditer(first)}
    return tables


def test_every_key_is_documented_and_every_documented_key_exists() -> None:
    found = {table: sorted(keys) for table, keys in documented().items()}
    assert found == {table: sorted(keys) for table, keys in TABLES.items()}


ALL = [(table, key) for table, keys in TABLES.items() for key in keys]


@pytest.mark.parametrize(("table", "key"), ALL, ids=[f"{table}.{key}" for table, key in ALL])
def test_a_key_is_documented_as_it_is(table: str, key: str) -> None:
    row: Key = TABLES[table][key]
    purpose, *only, default, example = documented()[table][key]
    assert len(purpose) > 5
    assert example == f"`{key} = {row.example}`"
    if row.later:
        assert "Not in this version." in purpose
    elif row.default:
        assert default == row.default
    else:
        assert default == "required"
    if only and row.only and len(row.only) < 4:
        assert only == [", ".join(row.only)]


@pytest.mark.parametrize(("table", "key"), ALL, ids=[f"{table}.{key}" for table, key in ALL])
def test_the_example_of_a_key_is_taken(table: str, key: str) -> None:
    row = TABLES[table][key]
    value = tomllib.loads(f"{key} = {row.example}")[key]
    row.read(value)


def _required(row: Key, sensor: Sensor) -> bool:
    return not row.default or f"required for {sensor}" in row.default


def test_keys_that_must_be_there_are_those_without_default() -> None:
    channel = TABLES["channel"]
    always = {key for key, row in channel.items() if not row.only and not row.default}
    assert always == {"name", "sensor"}
    for sensor in Sensor:
        own = {key for key, row in channel.items() if sensor in row.only and _required(row, sensor)}
        assert own == set(REQUIRED[sensor])


def test_the_example_at_the_top_loads() -> None:
    text = DOCS.read_text(encoding="utf-8")
    begin = text.index("    [bench]")
    lines = text[begin : text.index("\n> ", begin)].splitlines()
    bench = parse("\n".join(line.removeprefix("    ") for line in lines))
    assert [channel.name for channel in bench.channels] == ["iu"]


def test_the_message_shown_is_the_message_given(pump: str) -> None:
    text = DOCS.read_text(encoding="utf-8")
    shown = re.search(r"^    livesense: (pump\.toml: .*)$", text, re.MULTILINE)
    assert shown is not None
    at = pump.index("5 mΩ", pump.index('name = "iv"'))
    wrong = pump[:at] + "5 mA" + pump[at + len("5 mΩ") :]
    with pytest.raises(ValueError) as caught:
        parse(wrong, "pump.toml")
    assert str(caught.value) == shown[1]

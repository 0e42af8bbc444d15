"""docs/scripting.md and what `zero`, `calibrate` and `rescale` print hold each other."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

Command = Callable[..., Any]

DOCS = Path(__file__).parents[2] / "docs"
OFF = {"iu": 2053.3, "iv": 2041.6, "iw": 2048.9}


def section(command: str) -> str:
    text = (DOCS / "scripting.md").read_text(encoding="utf-8")
    return re.split(rf"^## `{command} .*$", text, flags=re.MULTILINE)[1].split("\n## ")[0]


def keys(value: Any, under: str = "") -> Iterator[str]:
    if isinstance(value, list):
        for item in value:
            yield from keys(item, under)
    elif isinstance(value, dict):
        for key, item in value.items():
            if under not in ("channels", "fits", "temperatures"):
                yield key
            yield from keys(item, key)


@pytest.fixture
def answers(bench: Any, sent: Any, livesense: Command) -> dict[str, Any]:
    path = bench()
    found = {"zero": livesense("zero", path, "--port", sent(OFF), "--json").json}
    loaded = sent({name: code + 1000 for name, code in OFF.items()})
    found["calibrate"] = livesense(
        *(
            "calibrate",
            path,
            "--channel",
            "iu",
            "--at",
            "8.1 A",
            "--reference-error",
            "0.1 %",
            "--fit",
            "--json",
        ),
        *("--port", loaded),
    ).json
    livesense("record", path, "--port", loaded, "--json")
    found["show"] = livesense("show", "last", "--json").json["calibration"]
    fixed = bench(path.read_text(encoding="utf-8").replace("gain = 20", "gain = 21"), "fixed.toml")
    found["rescale"] = livesense("rescale", 1, "--bench", fixed, "--reason", "gain", "--json").json
    return found


@pytest.mark.parametrize("command", ["zero", "calibrate", "rescale"])
def test_every_key_is_told_and_every_told_one_is_there(answers: dict[str, Any], command: str) -> None:
    text = section(command)
    told = set(re.findall(r'["`]([A-Za-z_]+)["`]', text)) | set(re.findall(r"`([a-z_]+)`", section("zero")))
    assert set(keys(answers[command])) - told - {"value", "u", "unit", "zero", "scale", "stale"} == set()
    example = "\n".join(line for line in text.splitlines() if line.startswith("    "))
    names = {"iu", "t_sink"}
    assert set(re.findall(r'"([A-Za-z_]+)":', example)) - set(keys(answers[command])) - names == set()


def test_what_show_tells_of_calibrations_is_told(answers: dict[str, Any]) -> None:
    told = set(re.findall(r'["`]([A-Za-z_]+)["`]', section("zero")))
    assert set(keys(answers["show"])) - told == set()


def test_the_page_names_every_option() -> None:
    from argparse import ArgumentParser

    from livesense.cli import calibrate, rescale, zero

    text = (DOCS / "calibration.md").read_text(encoding="utf-8")
    text += (DOCS / "scripting.md").read_text(encoding="utf-8")
    for command in (zero, calibrate, rescale):
        parser = ArgumentParser(add_help=False)
        command.add_arguments(parser)
        for action in parser._actions:
            for option in action.option_strings:
                assert f"{option}" in text, option


def test_cautions_come_before_anything_is_connected() -> None:
    head = (DOCS / "calibration.md").read_text(encoding="utf-8").split("## Zeros")[0]
    for words in ("Take the power off", "rated meter", "DC link stays charged", "local codes"):
        assert words in head

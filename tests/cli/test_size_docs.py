"""What the documents show of ``size`` is what it prints."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from livesense.cli.size_options import add_arguments

Command = Callable[..., Any]

DOCS = Path(__file__).parents[2] / "docs"


def block(name: str) -> str:
    """Text of a marked block, without its indent."""
    text = (DOCS / "sizing.md").read_text(encoding="utf-8")
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- /{name} -->", text, re.DOTALL)
    assert found is not None
    return "".join(line[4:] if line.strip() else line for line in found.group(1).splitlines(keepends=True))


@pytest.fixture
def example(livesense: Command) -> Any:
    """Run the documented command on the documented points."""
    assert livesense("init", "pump.toml").code == 0
    Path("points.csv").write_text(block("size-points"), encoding="utf-8")
    name, *arguments = block("size-command").split()
    assert name == "livesense"
    return livesense(*arguments)


def test_the_table_is_the_command_s(example: Any) -> None:
    assert (example.code, example.err) == (0, "")
    assert example.out == block("size-output")


def test_the_picture_is_the_command_s(example: Any) -> None:
    def shapes(path: Path) -> list[tuple[str, str, str]]:
        root = ElementTree.fromstring(path.read_text(encoding="utf-8"))
        # Places are left out: the last digit of a logarithm may differ between computers.
        return [(part.tag, part.text or "", part.get("stroke", "")) for part in root.iter()]

    assert shapes(Path("size-pump.svg")) == shapes(DOCS / "images" / "size-pump.svg")


def test_what_to_relax_is_the_command_s(livesense: Command) -> None:
    assert livesense("init", "pump.toml").code == 0
    text = (DOCS / "sizing.md").read_text(encoding="utf-8")
    found = re.search(r"^    livesense (size .* --error 5%)$", text, re.MULTILINE)
    assert found is not None
    answer = livesense(*found.group(1).split())
    assert answer.code == 1 and answer.out.endswith("\n" + block("size-verdict"))


def test_json_is_as_documented(livesense: Command) -> None:
    text = (DOCS / "scripting.md").read_text(encoding="utf-8")
    found = re.search(r"^## `size`\n.*?\n\n    (\{.*?\})\n\n", text, re.DOTALL | re.MULTILINE)
    assert found is not None
    documented = json.loads(found.group(1).replace("\n     ", " "))
    assert livesense("init", "pump.toml").code == 0
    facts = livesense(
        "size", "--bench", "pump.toml", "--small-current", "0.5A", "--error", "5%", "--shunt", "5mΩ",
        "--frequency", "400Hz", "--json",
    ).json  # fmt: skip
    assert rounded(facts) == rounded(documented)


def rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.9g}")
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    return [rounded(item) for item in value] if isinstance(value, list) else value


def test_every_option_is_in_the_documents() -> None:
    parser = argparse.ArgumentParser(add_help=False)
    add_arguments(parser)
    text = (DOCS / "scripting.md").read_text(encoding="utf-8")
    section = text[text.index("## `size`") :]
    section = section[: section.index("\n## ", 5)]
    options = [option for action in parser._actions for option in action.option_strings]
    assert len(options) > 30
    assert [option for option in options if not re.search(rf"`{option}[ `]", section)] == []


def test_defaults_are_those_documented(livesense: Command) -> None:
    text = " ".join((DOCS / "sizing.md").read_text(encoding="utf-8").split())
    assumed = livesense("size", "--current", "10A", "--json").json["assumed"]
    for option in ("headroom", "dissipation", "error"):
        assert f"`--{option}`" in text
    assert (assumed["headroom"], assumed["dissipation"], assumed["error"]) == ("10 %", "1 W", "10 %")
    assert "| 10 %, 1 W, 10 %, a tenth of the peak |" in text and assumed["small-current"].startswith("1 A")
    assert f"else {assumed['gain']} (common practice" in text
    for value in (
        "12 bit",
        "offset 150 µV",
        "ADC offset 2 LSB",
        "non-linearity 1.5 LSB",
        "output swing 50 mV",
    ):
        assert value in text

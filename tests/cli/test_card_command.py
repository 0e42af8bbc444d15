"""``card`` as a user meets it: files, options, JSON, messages."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Command = Callable[..., Any]

DESCRIBED = """
[adc]
reference = "3.3 V"
[[channel]]
name = "iu"
sensor = "shunt"
shunt = "1 mΩ"
gain = 20
reference = "mid-supply"
"""


@pytest.fixture
def pump(livesense: Command) -> Path:
    assert livesense("init", "pump.toml").code == 0
    return Path("pump.toml")


def channel(facts: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = (c for c in facts["channels"] if c["name"] == name)
    assert isinstance(found, dict)
    return found


def test_a_card_is_written_beside_the_bench_file(livesense: Command, pump: Path) -> None:
    answer = livesense("card", pump)
    assert (answer.code, answer.out) == (0, "Wrote pump-card.html, one page.\n")
    assert "1.750" in Path("pump-card.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_suffix_makes_it_a_pdf(livesense: Command, pump: Path, paper: str) -> None:
    assert livesense("card", pump, "--out", "card.PDF", "--paper", paper).code == 0
    assert Path("card.PDF").read_bytes().startswith(b"%PDF-")


def test_the_same_file_makes_the_same_card(livesense: Command, pump: Path) -> None:
    for name in ("a.html", "b.html", "a.pdf", "b.pdf"):
        assert livesense("card", pump, "--out", name).code == 0
    assert Path("a.html").read_bytes() == Path("b.html").read_bytes()
    assert Path("a.pdf").read_bytes() == Path("b.pdf").read_bytes()


@pytest.mark.parametrize("name", ["card.html", "card.pdf"])
def test_an_earlier_card_is_replaced_with_force_and_nothing_else(
    livesense: Command, pump: Path, name: str
) -> None:
    assert livesense("card", pump, "--out", name).code == 0
    refused = livesense("card", pump, "--out", name)
    assert refused.code == 2 and "--force" in refused.err
    assert livesense("card", pump, "--out", name, "--force").code == 0
    Path(name).write_text("my notes", encoding="utf-8")
    refused = livesense("card", pump, "--out", name, "--force")
    assert refused.code == 2 and "something else" in refused.err
    assert Path(name).read_text(encoding="utf-8") == "my notes"


def test_json_has_the_numbers_and_writes_only_where_asked(livesense: Command, pump: Path) -> None:
    facts = livesense("card", pump, "--json").json
    assert facts["files"] == [] and facts["pages"] is None and not Path("pump-card.html").exists()
    iu = channel(facts, "iu")
    # 3.3 V / 4096 / (20 × 5 mΩ).
    assert iu["per_code"] == pytest.approx(0.008056640625, rel=1e-11)
    points = {(p["at"], p["value"] >= 0): p for p in iu["points"]}
    assert (points["one", True]["pin_V"], points["one", True]["code"]) == pytest.approx((1.75, 2172.12121212))
    assert points["zero", True]["code"] == 2048.0
    assert (iu["trip"]["limit"], iu["trip"]["code_above"], iu["trip"]["code_below"]) == (12.0, 3538, 558)
    # 16 A / 12 A - 1.
    assert iu["headroom_percent"]["trip"] == pytest.approx(100 / 3)
    assert iu["wiring"]["plus_input"] == "bridge" and iu["wiring"]["positive_to"] == "motor"
    assert channel(facts, "vbus")["pin"]["reaches_at"] == pytest.approx(36.3)
    both = livesense("card", pump, "--json", "--out", "card.pdf").json
    assert both["files"] == ["card.pdf"] and both["pages"] == 1
    assert both["channels"] == facts["channels"]


def test_numbers_of_every_sensor_are_json(livesense: Command, pump: Path) -> None:
    text = pump.read_text(encoding="utf-8")
    for sensor, keys in {
        "linear": 'scale = "25 A/V"',
        "direct": 'unit = "A"\nscale = 0.01',
        "ntc": 'r25 = "10 kΩ"\nbeta = "3950 K"\npull_up = "10 kΩ"',
        "rtd": 'pull_up = "1 kΩ"',
        "state": "",
        "computed": 'from = ["iu", "iv"]',
    }.items():
        text += f'\n[[channel]]\nname = "x_{sensor}"\nsensor = "{sensor}"\n{keys}\n'
    pump.write_text(text, encoding="utf-8")
    facts = livesense("card", pump, "--json", "--out", "all.pdf").json
    assert len(facts["channels"]) == 10
    assert channel(facts, "x_computed")["points"] == []
    assert channel(facts, "x_direct")["points"][1]["code"] == 100.0


def test_every_key_of_the_json_is_in_the_docs(livesense: Command, pump: Path) -> None:
    docs = (Path(__file__).parents[2] / "docs" / "scripting.md").read_text(encoding="utf-8")
    section = docs.split("## `card BENCH`")[1].split("\n## ")[0]
    told = set(re.findall(r'"(\w+)":', section))
    facts = livesense("card", pump, "--json").json
    there: set[str] = set()
    gather(facts, there)
    assert there == told


def gather(value: Any, found: set[str]) -> None:
    """Collect the keys of an answer."""
    if isinstance(value, dict):
        found |= set(value)
    for item in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        gather(item, found)


def test_without_bits_it_says_what_to_state(livesense: Command) -> None:
    Path("own.toml").write_text(DESCRIBED, encoding="utf-8")
    answer = livesense("card", "own.toml")
    assert answer.code == 2 and not answer.out and not Path("own-card.html").exists()
    assert 'own.toml: channel "iu": bits: expected' in answer.err and answer.err.count("\n") == 1


@pytest.mark.parametrize("out", ["card.txt", "card"])
def test_other_suffixes_are_refused(livesense: Command, pump: Path, out: str) -> None:
    answer = livesense("card", pump, "--out", out)
    assert answer.code == 2 and "expected --out to end in .html or .pdf" in answer.err


def test_a_place_that_cannot_be_written_is_told(livesense: Command, pump: Path) -> None:
    answer = livesense("card", pump, "--out", "nowhere/card.html")
    assert answer.code == 2 and "cannot write" in answer.err and not answer.out
    Path("folder.html").mkdir()
    answer = livesense("card", pump, "--out", "folder.html", "--force")
    assert answer.code == 2 and "cannot replace" in answer.err


def test_warnings_of_the_bench_are_said(livesense: Command, pump: Path) -> None:
    text = pump.read_text(encoding="utf-8").replace('supply = "adc" ', 'supply = "5 V" ')
    pump.write_text(text, encoding="utf-8")
    answer = livesense("card", pump)
    assert answer.code == 0 and "can drive the ADC's pin above" in answer.err


def test_more_blocks_than_a_page_holds_are_told(livesense: Command) -> None:
    shunts = "".join(
        f'[[channel]]\nname = "i{n}"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = {20 + n}\n'
        'reference = "mid-supply"\n'
        for n in range(9)
    )
    Path("many.toml").write_text(f'[adc]\nbits = 12\nreference = "3.3 V"\n{shunts}', encoding="utf-8")
    assert "more than one page: its blocks do not fit" in livesense("card", "many.toml").out
    assert "pages: its blocks do not fit" in livesense("card", "many.toml", "--out", "many.pdf").out

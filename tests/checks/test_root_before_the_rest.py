"""A mistake that spoils everything is said once, and nothing that follows from it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import simulator

Command = Callable[..., Any]
BENCH = Path(simulator.__file__).parent / "benches" / "coolant-pump.toml"


@pytest.fixture
def checked(livesense: Command, tmp_path: Path) -> Callable[..., Any]:
    """Record the simulated pump, and check the run with a bench file that was changed."""

    def made(changes: dict[str, str], channel: str = "", *words: str) -> Any:
        answer = livesense("simulate", "--speed", "max", "--outlet", "file:s.bin", *words)
        assert answer.code == 0, answer.err
        shutil.copy(BENCH, tmp_path / "pump.toml")
        recorded = livesense("record", "pump.toml", "--port", "file:s.bin", "--until-closed", "--quiet")
        assert recorded.code == 0, recorded.err
        text = BENCH.read_text(encoding="utf-8")
        at = text.index(f'name = "{channel}"') if channel else 0
        for was, now in changes.items():
            assert was in text[at:]
            text = text[:at] + text[at:].replace(was, now, 1)
        (tmp_path / "wrong.toml").write_text(text, encoding="utf-8")
        return livesense("check", "wrong.toml", "--run", "last", "--json")

    return made


def alarms(answer: Any) -> list[tuple[str, str | None, str]]:
    findings = answer.json["findings"]
    return [(f["kind"], f["channel"], f["fix"]) for f in findings if f["severity"] != "note"]


@pytest.mark.slow
@pytest.mark.parametrize("bits", [10, 14])
def test_wrong_bits(checked: Callable[..., Any], bits: int) -> None:
    answer = checked({"bits = 12": f"bits = {bits}"}, "", "--duration", "8s")
    assert answer.code == 1
    assert alarms(answer) == [("scale", None, "bits = 12  # in [adc]")]
    assert "mend the bits first" in answer.json["unproven"][0]


@pytest.mark.slow
def test_a_reference_that_is_not_as_declared(checked: Callable[..., Any]) -> None:
    changes = {'reference = "mid-supply"': 'reference = "ground"'}
    answer = checked(changes, "iv", "--duration", "12s")
    assert alarms(answer) == [("reference-setup", "iv", 'reference = "mid-supply"')]


@pytest.mark.slow
def test_a_bus_shunt_the_other_way(checked: Callable[..., Any]) -> None:
    changes = {'reference = "mid-supply"': 'reference = "mid-supply"\nplus_input = "bridge"'}
    answer = checked(changes, "ibus", "--duration", "12s")
    assert alarms(answer) == [("reversed", "ibus", 'plus_input = "supply"')]


@pytest.mark.slow
@pytest.mark.parametrize("scenario", ["bring-up", "overload"])
def test_few_scans_of_a_block_commutated_cycle_raise_nothing_but_that(
    checked: Callable[..., Any], scenario: str
) -> None:
    words = ["--drive", "six-step", "--rate", "1000", "--scenario", scenario]
    found = alarms(checked({}, "", *words))
    assert {kind for kind, _, _ in found} <= {"aliasing"}


@pytest.mark.slow
def test_a_wrong_shunt_is_found_with_few_scans_a_cycle(checked: Callable[..., Any]) -> None:
    words = ["--drive", "six-step", "--rate", "1000", "--scenario", "overload"]
    found = alarms(checked({'shunt = "5 mΩ"': 'shunt = "4 mΩ"'}, "iw", *words))
    assert {(kind, channel) for kind, channel, _ in found} == {("scale", "iw"), ("aliasing", None)}


@pytest.mark.slow
def test_a_stated_delay_that_is_none_is_no_filter(checked: Callable[..., Any]) -> None:
    found = alarms(checked({'delay = "0.4 µs"': 'delay = "50 µs"'}, "iw", "--duration", "12s"))
    assert [(kind, channel) for kind, channel, _ in found] == [("skew", "iw")]
    delay_us = float(found[0][2].split('"')[1].split()[0])
    assert abs(delay_us - 0.4) < 5

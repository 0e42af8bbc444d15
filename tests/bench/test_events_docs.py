"""docs/events.md and the rules hold each other: every kind is told, and the defaults are those it lists."""

from __future__ import annotations

import re
from pathlib import Path

from livesense.bench import parse
from livesense.bench.keys import WATCH_KINDS

DOCS = Path(__file__).parents[2] / "docs"
EVENTS = (DOCS / "events.md").read_text(encoding="utf-8")


def rated(pump):
    text = pump.replace("pole_pairs = 5", 'pole_pairs = 5\nrated_current = "6 A"\nsequence = "UVW"')
    text = text.replace('name = "coolant pump, 24 V"', 'name = "coolant pump, 24 V"\nbus_voltage = "24 V"')
    bus = '[[channel]]\nname = "ibus"\nphase = "bus"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = 20\n'
    return parse(text[: text.index("[[watch]]")] + bus + 'reference = "mid-supply"\n')


def test_every_kind_is_told():
    for kind in WATCH_KINDS:
        assert f"**{kind}" in EVENTS or f"{kind}**" in EVENTS or f", {kind}," in EVENTS, kind
        assert f"`{kind}`" in (DOCS / "bench-file.md").read_text(encoding="utf-8"), kind


def test_the_default_rules_are_those_of_the_table(pump):
    table = EVENTS[EVENTS.index("| kind | what makes") : EVENTS.index("The levels are common practice")]
    told = [
        kind for row in re.findall(r"^\| (`.*?) \|", table, re.M) for kind in re.findall(r"`([a-z-]+)`", row)
    ]
    found = {rule.kind: rule for rule in rated(pump).default_watches}
    assert sorted(told) == sorted(found)
    rows = {row.split("`")[1]: row for row in table.splitlines() if row.startswith("| `")}
    # Words of the table against the numbers of the code.
    assert "2 scans in a row" in rows["overcurrent"] and found["overcurrent"].hold_scans == 2
    assert "600 ms" in rows["overcurrent"] and found["overcurrent"].release_hold_s == 0.6
    assert "1.5 × rated for 60 s" in rows["overload"]
    assert (found["overload"].limit, found["overload"].hold_s) == (9.0, 60.0)
    assert "above 50 % in 3 electrical cycles" in rows["phase-loss"]
    assert (found["phase-loss"].limit, found["phase-loss"].cycles) == (50.0, 3)
    assert "above 5 % for 1 s and at least two cycles, a note; above 10 % for as long" in rows["unbalance"]
    assert found["unbalance"].cycles == 2
    assert (found["unbalance"].note, found["unbalance"].limit, found["unbalance"].hold_s) == (5.0, 10.0, 1.0)
    assert "−20 % or +20 % for 5 ms" in rows["undervoltage"]
    assert [round(found[k].limit, 6) for k in ("undervoltage", "overvoltage")] == [19.2, 28.8]
    assert "above 5 % of rated" in rows["undervoltage"]
    assert found["undervoltage"].above == 0.05 * 6 and found["undervoltage"].currents == ("iu", "iv", "iw")
    assert {(r.pre_s, r.post_s) for r in found.values()} == {(0.1, 0.4)}
    assert "100 ms before and 400 ms after" in EVENTS


def test_every_scenario_is_told():
    from simulator.trouble import SCENARIOS

    text = (DOCS / "simulator.md").read_text(encoding="utf-8")
    for name, scenario in SCENARIOS.items():
        (row,) = re.findall(rf"^\| `{name}` \| ([\d.]+) \|", text, re.M)
        assert abs(float(row) - scenario.seconds) < 0.05, name

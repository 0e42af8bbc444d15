"""`show` tells the uncertainty budget: in JSON with every number, in its text as a table."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group

from dashboard import run_screen
from livesense.analysis import RunAnalysis
from livesense.bench import parse
from livesense.budget_facts import alike, budget_facts
from livesense.chain import Chain
from livesense.logbook.reader import Logbook
from livesense.samples import CodeType, GroupInfo

Command = Callable[..., Any]

MORE = """
[[channel]]
name = "vbus"
phase = "bus"
sensor = "divider"
ratio = 11
ratio_tolerance = "0.5 %"
[[channel]]
name = "state"
sensor = "state"
"""


@pytest.fixture
def run(recorded: Callable[..., Any]) -> None:
    fast = Sender(channels=("iu", "iv", "iw", "vbus", "state"))
    text = bench_text(more=MORE).replace("gain = 20", 'gain = 20\noffset = "150 µV"')
    text = text.replace("[adc]", '[adc]\nreference_tolerance = "0.2 %"\ninl = "1.5 LSB"')
    recorded(description_frame([group(fast.channels)]) + fast.packet(5), text)


def test_contributions_are_sensitivity_times_u_and_make_up_the_whole(run: None, livesense: Command) -> None:
    chain = {channel["name"]: channel for channel in livesense("show", "last", "--json").json["chain"]}
    assert chain["state"]["budget"] is None
    for name in ("iu", "vbus"):
        budget = chain[name]["budget"]
        assert len(budget["rows"]) >= 2
        parts = [row["sensitivity"] * row["u"] for row in budget["rows"]]
        assert [row["contribution"] for row in budget["rows"]] == pytest.approx(parts)
        assert parts == sorted(parts, reverse=True)
        assert budget["u"] == pytest.approx(math.hypot(*parts))
        assert budget["u_one_reading"] > budget["u"]
        assert budget["dominated_by"] == budget["rows"][0]["source"]


def test_the_text_has_a_table_for_channels_that_are_alike(run: None, livesense: Command) -> None:
    said = livesense("show", "last").out
    assert "Uncertainty of iu, iv, iw at " in said
    assert "Uncertainty of vbus at " in said
    assert "source" in said
    assert "sensitivity" in said
    table = said[said.index("Uncertainty of iu") :]
    assert max(map(len, table.splitlines())) < 110


WHOLE = """
[bench]
bus_voltage = "24 V"
[adc]
bits = 12
reference = "3.3 V"
reference_tolerance = "0.2 % (k=1)"
[motor]
rated_current = "6 A"
[[channel]]
name = "iu"
phase = "U"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 % (k=1)"
shunt_tempco = "100 ppm/K (k=1)"
shunt_heating = "40 K/W"
gain = 20
reference = "mid-supply"
offset = "150 µV"
[[channel]]
name = "vbus"
phase = "bus"
sensor = "divider"
ratio = 11
[[channel]]
name = "t_sink"
sensor = "ntc"
r25 = "10 kΩ"
beta = "3950 K"
pull_up = "10 kΩ"
[[channel]]
name = "ibus"
phase = "bus"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
reference = "supply"
plus_input = "bridge"
offset = "150 µV"
"""


def test_where_each_budget_holds() -> None:
    bench = parse(WHOLE)
    info = GroupInfo(1000.0, CodeType.U16, None, tuple(c.name for c in bench.channels))
    found = {n: budget_facts(bench, c) for n, c in Chain(bench, [info]).channels.items()}
    at = {name: budget["at"] for name, budget in found.items() if budget is not None}
    assert at["iu"] == {"value": 6.0, "unit": "A", "what": "rated current, rms"}
    assert at["vbus"] == {"value": 24.0, "unit": "V", "what": "nominal bus voltage"}
    assert at["t_sink"] == {"value": 25.0, "unit": "°C", "what": "25 °C"}
    assert at["ibus"]["what"] == "half of the range"
    rows = {row["key"]: row for row in found["iu"]["rows"]}
    # An offset does not enter a current without mean; 6 A rms in 5 mΩ are 0.18 W, 7.2 K, 0.072 % of 6 A.
    assert set(rows) == {"shunt_tolerance", "reference_tolerance", "shunt_heating"}
    assert rows["shunt_heating"]["contribution"] == pytest.approx(6 * 0.00072)
    assert rows["shunt_heating"]["u_text"] == "20 ppm/A²"
    assert rows["shunt_tolerance"]["u_text"] == "1 %"
    assert rows["shunt_tolerance"]["sensitivity_text"] == "0.06 A/%"
    assert rows["reference_tolerance"]["shared"] == "adc.reference"


def test_channels_without_a_stated_error_have_no_table() -> None:
    assert alike({"a": None, "b": {"rows": []}, "c": {"rows": [1]}, "d": {"rows": [1]}}) == [
        (["c", "d"], {"rows": [1]})
    ]


def test_the_screen_of_a_run_has_the_same_rows(run: None, livesense: Command) -> None:
    with Logbook("livesense.db") as logbook:
        analysis = RunAnalysis(logbook, "last")
        budgets = {c.name: budget_facts(analysis.bench, c) for c in analysis.channels}
        screen = str(run_screen.run(analysis.run.row, [], "", budgets))
    for row in (budgets["iu"] or {})["rows"]:
        assert row["source"] in screen
        assert row["contribution_text"] in screen
    assert "iu, iv, iw at " in screen

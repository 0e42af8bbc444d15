"""docs/scripting.md and the JSON that commands print hold each other, key by key."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, note_frame
from scripting_page import in_examples, keys, part, sections, without_parts

Command = Callable[..., Any]

MORE = """
[[channel]]
name = "vbus"
phase = "bus"
sensor = "divider"
ratio = 11
ratio_tolerance = "0.5 %"
[[watch]]
kind = "overcurrent"
channels = ["iu"]
limit = "1 A"
"""


@pytest.fixture
def answers(recorded: Callable[..., Any], livesense: Command) -> dict[str, Any]:
    """What commands say of a run that has something of everything."""
    fast = Sender(channels=("iu", "iv", "iw", "vbus"))
    described = description_frame([group(fast.channels)], boot="first")
    stream = described + note_frame("booted") + fast.packet(400)
    fast.skip(10)
    stream += fast.packet(400) + description_frame([group(fast.channels)], boot="again")
    again = Sender(channels=fast.channels)
    record = recorded(stream + again.packet(400) + b"\x01\x02\x00", bench_text(more=MORE))
    found = {"record": record}
    for command in ("runs", "show", "measure", "events"):
        words = [command] if command == "runs" else [command, "last"]
        found[command] = livesense(*words, "--json").json
    return found


@pytest.mark.parametrize("command", ["record", "runs", "show", "measure", "events"])
def test_every_key_is_told(answers: dict[str, Any], command: str) -> None:
    section = sections()[command]
    told = set(re.findall(r'["`]([A-Za-z_][A-Za-z0-9_]*)["`]', section))
    if "as with `record`" in section:
        told |= set(re.findall(r'["`]([A-Za-z_][A-Za-z0-9_]*)["`]', sections()["record"]))
    missing = set(keys(answers[command])) - told - {"value", "u", "unit"}
    assert missing == set()


@pytest.mark.parametrize("command", ["record", "runs", "show", "measure", "events"])
def test_every_key_that_is_told_is_there(answers: dict[str, Any], command: str) -> None:
    section = without_parts(sections()[command])
    # Objects by name show one of their names; outages, fitted rates and stages need a port.
    names = {"iu", "crc", "U", "V", "W", "power.phase_power"}
    outage = {"value", "u", "unit", "began", "ended", "uncounted", "cause", "scans_lost", "seconds", "text"}
    dropped = {"stop", "scans", "from_s", "to_s", "reason"}
    stages = {"stage", "verdict", "given", "checks", "what", "expected"}
    there = set(keys(answers[command])) | names | outage | dropped | stages
    assert in_examples(section) - there == set()


def test_trends(livesense: Command, answers: dict[str, Any]) -> None:
    told = livesense("measure", "last", "--trend", "auto", "--json").json
    section = part(sections()["measure"], "measure RUN --trend STEP")
    # Phase voltages are not on this bench.
    assert in_examples(section) == set(keys(told)) | {"iu", "phase_power", "input_power"}


def test_windings(livesense: Command, answers: dict[str, Any]) -> None:
    told = livesense("measure", "last", "--winding", "--from", "0", "--json").json
    section = part(sections()["measure"], "measure RUN --winding")
    quantity = {"value", "u", "unit"}
    assert in_examples(section) - quantity - {"iu", "iv", "iw"} == set(keys(told)) - quantity


def test_ports(livesense: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    from livesense.link import ports

    one = ports.PortRow("COM5", "USB serial port", "1234:5678", "0001", "1-2")
    monkeypatch.setattr(ports, "list_ports", lambda: [one])
    assert set(keys(livesense("ports", "--json").json)) == in_examples(sections()["ports"])

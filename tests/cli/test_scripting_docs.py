"""docs/scripting.md and the JSON that commands print hold each other, key by key."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, note_frame

Command = Callable[..., Any]

DOCS = Path(__file__).parents[2] / "docs" / "scripting.md"
BY_NAME = ("channels", "angles_deg", "temperatures", "withheld", "faults", "three_phase_by_place")
"""Objects whose keys are names of channels, phases, places, figures or faults."""

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


def sections() -> dict[str, str]:
    parts = re.split(r"^## `([a-z]+)[^`]*`.*$", DOCS.read_text(encoding="utf-8"), flags=re.MULTILINE)[1:]
    return dict(zip(parts[::2], (part.split("\n## ")[0] for part in parts[1::2]), strict=True))


def keys(value: Any, under: str = "") -> Iterator[str]:
    """Every key of an answer, but those that are names."""
    if isinstance(value, list):
        for item in value:
            yield from keys(item, under)
    elif isinstance(value, dict):
        for key, item in value.items():
            if under not in BY_NAME:
                yield key
            yield from keys(item, key)


def in_examples(section: str) -> set[str]:
    """Keys in the JSON examples of a section."""
    blocks = "\n".join(line for line in section.splitlines() if line.startswith("    "))
    return set(re.findall(r'"([A-Za-z_]+)":', blocks))


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
    told = set(re.findall(r'["`]([A-Za-z_]+)["`]', section))
    if "as with `record`" in section:
        told |= set(re.findall(r'["`]([A-Za-z_]+)["`]', sections()["record"]))
    missing = set(keys(answers[command])) - told - {"value", "u", "unit"}
    assert missing == set()


@pytest.mark.parametrize("command", ["record", "runs", "show", "measure", "events"])
def test_every_key_that_is_told_is_there(answers: dict[str, Any], command: str) -> None:
    section = sections()[command]
    # Objects by name show one of their names; outages and fitted rates need a port and a clock.
    names = {"iu", "crc", "U", "V", "W", "power.phase_power"}
    outage = {"value", "u", "unit", "began", "ended", "uncounted", "cause", "scans_lost", "seconds", "text"}
    there = set(keys(answers[command])) | names | outage
    assert in_examples(section) - there == set()


def test_ports(livesense: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    from livesense.link import ports

    one = ports.PortRow("COM5", "USB serial port", "1234:5678", "0001", "1-2")
    monkeypatch.setattr(ports, "list_ports", lambda: [one])
    assert set(keys(livesense("ports", "--json").json)) == in_examples(sections()["ports"])

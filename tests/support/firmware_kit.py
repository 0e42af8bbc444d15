"""Where the firmware kit is, compilers that are there or not, and what its senders are heard to say."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from livesense.bench import Bench, Sensor
from livesense.linkbudget import Link, Stream, budget
from livesense.samples import Codes, Description, GroupInfo, LinkFault, Note, Packets
from livesense.wire.framed import FramedDecoder

FIRMWARE = Path(__file__).parents[2] / "firmware"
EXAMPLES = FIRMWARE / "examples"

WARNINGS = [
    *("-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Wcast-qual"),
    *("-Wcast-align", "-Wundef", "-Wswitch-default", "-Werror"),
]


def compiler(name: str, *, ci_has_it: bool = True) -> str:
    """Path of a compiler; without it the test is skipped, or fails where CI should have it."""
    found = shutil.which(name)
    if found is None:
        if ci_has_it and os.environ.get("CI"):
            pytest.fail(f"CI compiles the firmware kit: install {name}")
        pytest.skip(f"no {name} here: install it to compile the firmware kit")
    return found


def pasted(module: Path) -> list[str]:
    """A module in pieces small enough for the raw REPL of a board with 16 KB: no comments, no docstrings."""
    source = re.sub(r'"""[\s\S]*?"""', '""', module.read_text(encoding="utf-8"))
    source = re.sub(r" +#.*", "", source)
    return source.split("\n\n\n")


def assert_fits(bench: Bench, groups: Sequence[GroupInfo]) -> None:
    """The channels described are those of the bench file, with its bits; and it leaves nothing to warn of."""
    assert bench.link.wire == "framed"
    assert bench.warnings == ()
    channels = {channel.column: channel for channel in bench.channels}
    assert sorted(channels) == sorted(name for group in groups for name in group.channels)
    for group in groups:
        assert group.rate_hz
        for name in group.channels:
            if channels[name].sensor is not Sensor.STATE:
                assert group.bits == bench.adc.bits, name


def assert_carried(groups: Sequence[GroupInfo], scans: Sequence[int], link: Link) -> None:
    """All groups together, in packets of so many scans, leave a tenth of the link."""
    used = 0.0
    for group, count in zip(groups, scans, strict=True):
        assert group.rate_hz
        stream = Stream("framed", len(group.channels), group.rate_hz, str(group.code), scans=count)
        used += budget(stream, link).used
    assert used < 0.9


class Heard:
    """What livesense's own decoder makes of a stream, from the first byte on.

    ``channels`` are those of the last description; ``first`` (counters of packets) and ``codes`` go by group.
    """

    def __init__(self, stream: bytes) -> None:
        self.notes: list[str] = []
        self.faults: list[str] = []
        self.descriptions: list[Description] = []
        self.first: dict[int, list[int]] = {}
        self.codes: dict[int, Codes] = {}
        decoder = FramedDecoder(midstream=False)
        for event in [*decoder.feed(stream), *decoder.finish()]:
            if isinstance(event, Packets):
                self._take(event)
            elif isinstance(event, LinkFault):
                self.faults.append(str(event.kind))
            elif isinstance(event, Note):
                self.notes.append(event.text)
            elif isinstance(event, Description):
                self.descriptions.append(event)

    def _take(self, packets: Packets) -> None:
        assert packets.first is not None
        for group, first in zip(packets.group.tolist(), packets.first.tolist(), strict=True):
            self.first.setdefault(group, []).append(first)
        for group, codes in packets.codes.items():
            before = self.codes.get(group)
            self.codes[group] = codes if before is None else np.concatenate([before, codes])

    @property
    def channels(self) -> list[list[str]]:
        return [list(group.channels) for group in self.descriptions[-1].groups]

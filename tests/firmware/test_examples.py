"""Each example's bench file loads, and fits what the example sends and the line that it sends it over."""

from __future__ import annotations

import re
from collections.abc import Sequence

import pytest
from firmware_kit import EXAMPLES, FIRMWARE, assert_carried, assert_fits

from livesense.bench import Bench, load
from livesense.linkbudget import serial_link
from livesense.samples import Description, GroupInfo
from livesense.wire.description import parse_description

# Folder: the file with the description, the one with the baud rate, scans in a packet group by group.
IN_C: dict[str, tuple[str, str, list[int]]] = {
    "atmega328p": ("main.c", "main.c", [16]),
    "cortex-m4": ("main.c", "outlet_uart.c", [40]),
    "sketch": ("sketch.ino", "sketch.ino", [16, 1]),
}


def test_no_example_is_forgotten() -> None:
    """That of MicroPython is run by test_micropython_example.py."""
    assert {folder.name for folder in EXAMPLES.iterdir()} == IN_C.keys() | {"micropython"}


@pytest.fixture(params=IN_C)
def name(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def bench(name: str) -> Bench:
    return load(EXAMPLES / name / "bench.toml")


def source(name: str, file: str) -> str:
    return (EXAMPLES / name / file).read_text(encoding="utf-8")


def described(text: str) -> Sequence[GroupInfo]:
    """The description that a source holds, put together as the compiler and the sender do."""
    rate = re.search(r"#define SCAN_HZ (\d+)", text)
    if rate:
        text = text.replace("DIGITS(SCAN_HZ)", f'"{rate.group(1)}"')
    begin = text.index(r'"{\"livesense\"')
    strings = re.findall(r'"((?:[^"\\]|\\.)*)"', text[begin : text.index(']}]}"', begin) + 5])
    found = parse_description("".join(strings).replace('\\"', '"').replace('"boot":', '"boot":0'))
    assert isinstance(found, Description), found
    return found.groups


def test_the_bench_file_fits_the_description(name: str, bench: Bench) -> None:
    assert_fits(bench, described(source(name, IN_C[name][0])))


def test_the_line_carries_it(name: str, bench: Bench) -> None:
    file, baud_file, scans = IN_C[name]
    found = re.search(r"#define BAUD (\d+)|Serial\.begin\((\d+)\)", source(name, baud_file))
    assert found
    assert bench.link.baud == int(found.group(1) or found.group(2))
    assert_carried(described(source(name, file)), scans, serial_link(bench.link.baud))
    in_source = re.search(r"\bSCANS(?:_A_PACKET)?(?: =)? (\d+)", source(name, file))
    assert in_source
    assert int(in_source.group(1)) == scans[0]


def test_lines_are_no_longer_than_110() -> None:
    for file in FIRMWARE.rglob("*.*"):
        if file.suffix not in (".md", ".pyc"):
            assert max(map(len, file.read_text(encoding="utf-8").splitlines())) <= 110, file

"""firmware/README.md is true: its code runs and is decoded, its tables follow from code and measurement."""

from __future__ import annotations

import importlib.util
import re
import shlex
import shutil
import subprocess
import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from firmware_kit import FIRMWARE, WARNINGS, Heard, compiler

from livesense.linkbudget import LINKS, Stream, frame_bytes, highest_rate_hz
from livesense.samples import LinkFault, Packets
from livesense.wire.text import TextDecoder

README = (FIRMWARE / "README.md").read_text(encoding="utf-8")
COST = FIRMWARE.parent / "benchmarks" / "firmware_cost.py"


def block(mark: str) -> str:
    """The code behind a comment."""
    found = re.search(rf"<!-- {re.escape(mark)} -->\n```\w*\n(.*?)```", README, re.DOTALL)
    assert found, mark
    return found.group(1)


def rows(mark: str) -> list[list[str]]:
    """The table between two comments, without its head."""
    found = re.search(rf"<!-- {mark} -->\n(.*?)<!-- /{mark} -->", README, re.DOTALL)
    assert found, mark
    lines = found.group(1).splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def sent_by(source: str, folder: Path) -> bytes:
    """Compile as C99, run, and what it wrote."""
    (folder / "user.c").write_text(source, encoding="utf-8")
    program = folder / "user.exe"
    command = [compiler("gcc"), "-std=c99", *WARNINGS, "-fsanitize=address,undefined", f"-I{FIRMWARE / 'c'}"]
    built = subprocess.run(
        [*command, "-o", str(program), str(folder / "user.c")], capture_output=True, text=True
    )
    assert built.returncode == 0, built.stderr
    return subprocess.run([str(program)], capture_output=True, check=True).stdout


BEFORE = """
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
static void uart_write(const void *bytes, size_t size) { fwrite(bytes, 1, size, stdout); }
void at_boot(void);
void every_second(void);
void every_scan(const uint16_t codes[3], uint32_t ms);
void conversions_done(const uint16_t codes[3]);
"""

TEN = """
int main(void)
{
    uint16_t at;
    uart_write("", 1);
    at_boot();
    every_second();
    for (at = 0; at < 50; at++) {
        const uint16_t codes[3] = {at, (uint16_t)(4095 - at), 0};
        every_scan(codes, at);
    }
    return 0;
}
"""


def test_the_ten_lines(tmp_path: Path) -> None:
    lines = block("in ten lines")
    assert len([line for line in lines.splitlines() if line]) <= 10
    heard = Heard(sent_by(BEFORE + lines + TEN, tmp_path))
    assert heard.faults == []
    assert heard.channels == [["iu", "iv", "iw"]]
    assert heard.first == {0: [0, 16, 32]}
    assert heard.codes[0].tolist() == [[at, 4095 - at, 0] for at in range(48)]


INTERRUPT = """
static uint32_t timer_us(void) { return 0; }
static int idle = 1;
static int dma_is_idle(void) { return idle; }
static void dma_send(const uint8_t *bytes, size_t size) { uart_write(bytes, size); }
"""

BUSY = """
int main(void)
{
    uint16_t at;
    livesense_batch_start(&currents, frames[0], sizeof frames[0], 0, LIVESENSE_U12, 3, 16, 0);
    every_second();
    for (at = 0; at < 64; at++) {
        const uint16_t codes[3] = {at, 1, 2};
        idle = at < 30 || at > 40;
        conversions_done(codes);
    }
    return 0;
}
"""


def test_the_interrupt(tmp_path: Path) -> None:
    head = block("in ten lines")
    source = BEFORE + head + INTERRUPT + block("in the interrupt") + BUSY
    heard = Heard(sent_by(source, tmp_path))
    assert heard.faults == []
    assert heard.first == {0: [0, 32, 48]}  # the one that found DMA busy was counted
    assert heard.codes[0][:, 0].tolist() == [*range(16), *range(32, 64)]


TEXT = """
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
struct scan { uint32_t n; uint16_t iu, iv, iw; };
static struct scan next_scan(void)
{
    static struct scan s = {41, 2047, 99, 0};
    s.n += s.iu == 2050 ? 3 : 1;
    s.iu++;
    if (s.iu == 2056)
        exit(0);
    return s;
}
int main(void)
{
"""


def test_the_text_wire(tmp_path: Path) -> None:
    lines = block("text wire")
    assert len(lines.splitlines()) == 5
    stream = sent_by(TEXT + lines + "}\n", tmp_path).replace(b"\r\n", b"\n")
    decoder = TextDecoder(["iu", "iv", "iw"], rate_hz=1000, decimals={}, from_port=False)
    first: list[int] = []
    codes: list[list[int]] = []
    for event in [*decoder.feed(stream), *decoder.finish()]:
        assert not isinstance(event, LinkFault)
        if isinstance(event, Packets):
            assert event.first is not None
            first += event.first.tolist()
            codes += event.codes[0].tolist()
    assert codes == [[iu, 99, 0] for iu in range(2048, 2056)]
    assert first == [42, 43, 44, 47, 48, 49, 50, 51]


def test_micropython(monkeypatch: pytest.MonkeyPatch) -> None:
    spec = importlib.util.spec_from_file_location(
        "livesense_wire", FIRMWARE / "micropython" / "livesense_wire.py"
    )
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setitem(sys.modules, "livesense_wire", module)
    line = bytearray()
    ticks = iter([0, 50])
    names: dict[str, Any] = {
        "uart": types.SimpleNamespace(write=line.extend),
        "time": types.SimpleNamespace(ticks_ms=lambda: next(ticks)),
    }
    exec(block("micropython"), names)
    heard = Heard(bytes(line))
    assert heard.channels == [["iu", "iv", "iw"]]
    assert heard.codes[0].tolist() == [[2048, 2047, 2050]]
    assert heard.notes == ["ramp done"]


STREAMS = [
    Stream("framed", 3, code="u12"),
    Stream("framed", 4, code="u12"),
    Stream("framed", 4, code="u16"),
    Stream("framed", 8, code="u16"),
    Stream("text", 3, bits=12),
]


def rate(rate_hz: float) -> str:
    """Three digits, cut off: what does not fit is not printed."""
    digits = f"{rate_hz:.0f}"
    kept = int(digits[:3]) * 10 ** max(0, len(digits) - 3) if rate_hz >= 100 else int(rate_hz)
    if kept >= 1_000_000:
        return f"{kept / 1e6:.2f} MHz"
    return f"{kept / 1000:g} kHz" if kept >= 1000 else f"{kept} Hz"


def test_the_budget_is_that_of_the_code() -> None:
    expected = [[link.name, *(rate(highest_rate_hz(one, link, 0.9)) for one in STREAMS)] for link in LINKS]
    assert rows("budget") == expected, "\n".join("| " + " | ".join(row) + " |" for row in expected)


def test_bytes_a_scan() -> None:
    assert frame_bytes(5 + 5) == 15
    assert round(frame_bytes(5 + 72) / 16, 1) == 5.1
    assert "take 15 bytes a scan one by one, 5.1 in packets of 16" in README


def test_init_link_says_so(livesense: Callable[..., Any]) -> None:
    shown = block("init --link").splitlines()
    assert shown[0].startswith("$ livesense ")
    answer = livesense(*shlex.split(shown[0])[2:])
    assert answer.out.splitlines()[: len(shown) - 1] == shown[1:]


def test_every_example_is_told_of() -> None:
    for folder in (FIRMWARE / "examples").iterdir():
        assert f"(examples/{folder.name}/)" in README


def test_links_lead_somewhere() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (FIRMWARE / target).exists(), target


NUMBER = re.compile(r"\d+")


@pytest.mark.slow
def test_what_it_takes_is_what_is_measured() -> None:
    """Another version of a compiler makes other code: a tenth is allowed."""
    spec = importlib.util.spec_from_file_location("firmware_cost", COST)
    assert spec and spec.loader
    cost = importlib.util.module_from_spec(spec)
    sys.modules["firmware_cost"] = cost  # dataclasses look themselves up
    spec.loader.exec_module(cost)
    for name in cost.NEEDED:
        compiler(name)
    header = subprocess.run(
        [shutil.which("gcc") or "gcc", "-E", "-"],
        input="#include <simavr/sim_avr.h>\n",
        capture_output=True,
        text=True,
    )
    if header.returncode:
        compiler("simavr/sim_avr.h of libsimavr-dev")
    measured = [[cell.strip() for cell in cost.row(one).strip("|").split("|")] for one in cost.costs()]
    stated = rows("cost")
    assert [[row[0], row[1], row[-1]] for row in stated] == [[row[0], row[1], row[-1]] for row in measured]
    for row, found in zip(stated, measured, strict=True):
        for cell, now in zip(row[2:-1], found[2:-1], strict=True):
            assert [int(x) for x in NUMBER.findall(cell)] == pytest.approx(
                [int(x) for x in NUMBER.findall(now)], rel=0.1
            ), (row, found)

"""docs/scripting.md names every verdict and every hint; docs/listen.md shows what is really printed."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, description_frame, group, note_frame

import livesense.listen
from livesense.listen.rows import UNCOUNTED, WELL, WORDS, Verdict

DOCS = (Path(__file__).parents[2] / "docs" / "scripting.md").read_text(encoding="utf-8")
PART = DOCS.split("## `listen PORT`")[1].split("\n## ")[0]
LISTEN = (Path(__file__).parents[2] / "docs" / "listen.md").read_text(encoding="utf-8")
WIRE = (Path(__file__).parents[2] / "docs" / "wire.md").read_text(encoding="utf-8")
SOURCES = "\n".join(
    path.read_text(encoding="utf-8") for path in sorted(Path(livesense.listen.__file__).parent.glob("*.py"))
)
KEYS = set(re.findall(r'Hint\(\s*"(\w+)"', SOURCES)) | {"baud_too_high", "baud_too_low", "wire_framed"}


@pytest.mark.parametrize("verdict", sorted(WELL | UNCOUNTED | {Verdict.MISFIT}))
def test_every_verdict_that_is_no_fault_is_explained(verdict: Verdict) -> None:
    assert f"`{verdict}`" in PART


@pytest.mark.parametrize("verdict", sorted(set(Verdict) - WELL - UNCOUNTED - {Verdict.MISFIT}))
def test_every_fault_is_one_of_the_wires(verdict: Verdict) -> None:
    assert f"`{verdict}`" in WIRE


@pytest.mark.parametrize("key", sorted(KEYS))
def test_every_hint_is_named(key: str) -> None:
    assert f"`{key}`" in PART


def test_the_hints_were_found() -> None:
    assert len(KEYS) > 25


@pytest.mark.parametrize("words", sorted(set(WORDS.values()) - {WORDS[Verdict.LENGTH]}))
def test_every_word_is_explained(words: str) -> None:
    table = LISTEN.split("## What a row can be")[1].split("\n## ")[0]
    assert re.search(rf"^\|[^|]*\b{words}\b", table, re.MULTILINE)


def pump_stream() -> bytes:
    """Some packets of the pump bench; one with a changed byte, one with lost ones, one that comes twice."""
    sender = Sender(("iu", "iv", "iw", "vbus"), low=1900, high=2200, seed=3)
    described = description_frame([group(sender.channels)], device="pump-bench")
    packets = [sender.packet(30)[90:], described, *(sender.packet(30) for _ in range(12))]
    packets[4] = packets[4][:40] + b"\x55" + packets[4][41:]
    packets[6] = packets[6][:60] + packets[6][64:]
    packets.insert(9, packets[8])
    packets.insert(11, note_frame("ramp done"))
    return b"".join(packets)


def test_the_sample_is_what_is_printed(
    livesense: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "101")
    (tmp_path / "line.bin").write_bytes(pump_stream())
    sample = LISTEN.split("<!-- sample -->\n")[1].split("<!-- /sample -->")[0]
    assert livesense("listen", "file:line.bin").out == textwrap.dedent(sample)

"""``init --link``: what the terminal and the JSON say of a link."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Command = Callable[..., Any]

DOCS = Path(__file__).parents[2] / "docs" / "scripting.md"


def test_the_starter_fits(livesense: Command, tmp_path: Path) -> None:
    answer = livesense("init", "--link")
    assert (answer.code, answer.err) == (0, "")
    # By hand: 30 scans × 4 × 2 + 10 = 250 bytes; 20 000 / 30 × 250 = 166.7 kB/s and a description.
    assert answer.out.startswith("4 channels at 20 kHz, u16, framed, through 3000000 Bd:\n")
    assert "250 bytes at most, for 30 scans: 8.33 bytes a scan" in answer.out
    assert "carries 300 kB/s: 56 % used, highest scan rate 35.9 kHz" in answer.out
    assert re.search(r"^921600 Bd +92\.16 kB/s +181 % +11\.0 kHz$", answer.out, re.MULTILINE)
    assert re.search(r"^USB high speed +40 MB/s +0\.4 % +4\.79 MHz$", answer.out, re.MULTILINE)
    assert list(tmp_path.iterdir()) == []


def test_the_defaults_are_the_starter_files(livesense: Command) -> None:
    starter = livesense("init", "-").out
    facts = livesense("init", "--link", "--json").json
    assert f"baud = {facts['baud']} " in starter
    assert f'wire = "{facts["wire"]}" ' in starter
    assert f'rate = "{facts["rate_hz"] / 1000:g} kHz" ' in starter
    assert f'code = "{facts["code"]}" ' in starter
    assert starter.count('\nname = "') - 1 == facts["channels"]


def test_too_slow_a_link_is_told_with_what_would_fit(livesense: Command) -> None:
    answer = livesense("init", "--link", "--baud", 921600)
    assert answer.code == 1
    assert answer.out.startswith("4 channels at 20 kHz")
    assert answer.err == (
        "livesense: expected at most 92.16 kB/s, which is what 921600 Bd carries, got 166.9 kB/s: "
        "4 channels at 20 kHz cannot pass. What would fit, with 10 % left over: 2000000 Bd, "
        "or 1 channel, or 9.92 kHz, or bursts into RAM that are sent slowly\n"
    )


def test_small_packets_are_told_of_larger_ones(livesense: Command) -> None:
    answer = livesense("init", "--link", "--baud", 921600, "--rate", "9kHz", "--scans", 1)
    assert answer.code == 1
    assert "--scans 30" in answer.err


def test_little_left_over_is_said(livesense: Command) -> None:
    answer = livesense("init", "--link", "--baud", 2000000, "--rate", "23 kS/s")
    assert answer.code == 0
    assert answer.err.startswith(
        "livesense: expected a tenth of 2000000 Bd left over for notes and clocks that are off, got 96 % used"
    )
    assert "3000000 Bd, or --code u12, or 3 channels, or 21.5 kHz" in answer.err


def test_json_is_as_documented(livesense: Command) -> None:
    found = re.search(
        r"\n    (\{\"wire\": \"framed\".*?\]\})\n\n", DOCS.read_text(encoding="utf-8"), re.DOTALL
    )
    assert found is not None
    documented = json.loads(found.group(1))
    answer = livesense("init", "--link", "--baud", 921600, "--json")
    assert answer.code == 1
    facts = answer.json
    assert len(facts["links"]) == 8
    facts["links"] = facts["links"][:1]
    assert facts == documented


def test_text_and_records(livesense: Command) -> None:
    # n of ten digits, three codes of four, three commas, CR LF: 27 bytes.
    text = livesense("init", "--link", "--wire", "text", "--channels", 3, "--rate", 400, "--json").json
    assert (text["packet_bytes"], text["scans"], text["bytes_per_s"]) == (27, 1, 10_800)
    # 2 sync, n:u8, 3 × 2, 2 CRC
    record = livesense("init", "--link", "--wire", "record", "--channels", 3, "--json").json
    assert (record["packet_bytes"], record["fits"]) == (11, True)
    assert "a line " in livesense("init", "--link", "--wire", "text", "--rate", 400).out


def test_slow_rates_and_links(livesense: Command) -> None:
    answer = livesense("init", "--link", "--wire", "text", "--baud", 300, "--rate", "0.5 Hz")
    assert "12 bits, text, through 300 Bd" in answer.out
    assert "16 B/s" in answer.out
    answer = livesense("init", "--link", "--baud", 300)
    assert "highest scan rate none" in answer.out
    assert answer.code == 1


def test_usb_has_no_baud(livesense: Command) -> None:
    facts = livesense("init", "--link", "--usb", "full-speed", "--json").json
    assert (facts["link"], facts["baud"], facts["link_bytes_per_s"]) == ("USB full speed", None, 1e6)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "expected FILE"),
        (("pump.toml", "--link"), "expected no FILE with --link"),
        (("pump.toml", "--rate", "20kHz"), "--rate goes with --link"),
        (("pump.toml", "--json"), "--json goes with --link"),
        (("--link", "--rate", "20 kV"), "expected a scan rate"),
        (("--link", "--rate", "0"), "expected a scan rate"),
        (("--link", "--baud", "ten"), "expected a whole number from 50 to 100000000, got 'ten'"),
        (("--link", "--channels", "0"), "expected a whole number from 1 to 256"),
        (("--link", "--baud", "9600", "--usb", "full-speed"), "not allowed with"),
        (("--link", "--scans", "600"), "which hold 511 scans of 4 channels; got 600 scans"),
    ],
)
def test_mistakes(livesense: Command, tmp_path: Path, arguments: tuple[str, ...], said: str) -> None:
    answer = livesense("init", *arguments)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.startswith("livesense: ")
    assert answer.err.count("\n") == 1
    assert said in answer.err
    assert list(tmp_path.iterdir()) == []

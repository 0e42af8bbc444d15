"""Whole recordings of the text wire, written as a few lines of firmware would write them."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from plain_device import bench_text

Recorded = Callable[..., dict[str, Any]]
Exported = Callable[..., list[dict[str, str]]]

RATE = '[[group]]\nrate = "1 kHz"'


def nmea_xor(line: str) -> str:
    """The XOR of all bytes before the ``*``, as NMEA 0183 has it (from memory)."""
    value = 0
    for byte in line.encode():
        value ^= byte
    return f"{line}*{value:02X}"


def codes_of(
    rows: list[dict[str, str]], channels: Sequence[str] = ("iu", "iv", "iw")
) -> dict[int, tuple[int, ...]]:
    return {int(row["scan"]): tuple(int(row[f"{name}_code"]) for name in channels) for row in rows}


@pytest.fixture
def scans() -> list[tuple[int, int, int]]:
    rng = random.Random(4)
    return [(rng.randint(0, 4095), rng.randint(0, 4095), rng.randint(0, 4095)) for _ in range(300)]


@pytest.mark.parametrize("separator", [",", ";", "\t", " ", "  ", " , "])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_every_separator_and_line_end(
    recorded: Recorded, exported: Exported, scans: list[tuple[int, int, int]], separator: str, end: str
) -> None:
    lines = [separator.join(map(str, scan)) for scan in scans]
    summary = recorded((end.join(lines) + end).encode(), bench_text("text", groups=RATE))
    assert summary["faults"] == {}
    assert summary["gaps"] == 0
    assert summary["groups"][0]["scans_lost"] is None
    assert codes_of(exported("--codes")) == dict(enumerate(scans))


def test_header_with_counter_tells_what_was_lost(
    recorded: Recorded, exported: Exported, scans: list[tuple[int, int, int]]
) -> None:
    lines = ["n,iu,iv,iw"]
    lines += [f"{n},{iu},{iv},{iw}" for n, (iu, iv, iw) in enumerate(scans) if not 100 <= n < 120]
    summary = recorded("\n".join([*lines, ""]).encode(), bench_text("text", groups=RATE))
    assert summary["groups"][0]["scans_lost"] == 20
    assert summary["gaps"] == 1
    expected = {n: scan for n, scan in enumerate(scans) if not 100 <= n < 120}
    assert codes_of(exported("--codes")) == expected


def test_columns_of_the_bench_file_serve_without_a_header(
    recorded: Recorded, exported: Exported, scans: list[tuple[int, int, int]]
) -> None:
    lines = [f"{iw} {n} {iu} 77 {iv}" for n, (iu, iv, iw) in enumerate(scans)]
    bench = bench_text("text", groups=RATE, link='columns = ["iw", "n", "iu", "spare", "iv"]')
    summary = recorded("\n".join([*lines, ""]).encode(), bench)
    assert summary["faults"] == {}
    assert codes_of(exported("--codes")) == dict(enumerate(scans))


def test_broken_lines_are_one_fault_each_and_their_scans_a_gap(
    recorded: Recorded, exported: Exported, scans: list[tuple[int, int, int]]
) -> None:
    lines = ["n,iu,iv,iw"] + [f"{n},{iu},{iv},{iw}" for n, (iu, iv, iw) in enumerate(scans)]
    lines[51] = lines[51][:-1] + "x"
    lines[80] = lines[80].rsplit(",", 1)[0]
    lines[81] += ",9"
    summary = recorded("\n".join([*lines, ""]).encode(), bench_text("text", groups=RATE))
    assert summary["faults"] == {"bad_line": 3}
    assert summary["groups"][0]["scans_lost"] == 3
    assert codes_of(exported("--codes")) == {n: s for n, s in enumerate(scans) if n not in {50, 79, 80}}


def test_notes_and_reprinted_headers_are_no_scans(
    recorded: Recorded, exported: Exported, livesense: Callable[..., Any], scans: list[tuple[int, int, int]]
) -> None:
    lines = ["pump controller ready", "n,iu,iv,iw"]
    for n, (iu, iv, iw) in enumerate(scans):
        lines.append(f"{n},{iu},{iv},{iw}")
        if n == 40:
            lines += ["# ramp done", "n,iu,iv,iw"]
    summary = recorded("\r\n".join([*lines, ""]).encode(), bench_text("text", groups=RATE))
    assert summary["faults"] == {}
    assert codes_of(exported("--codes")) == dict(enumerate(scans))
    notes = [note["text"] for note in livesense("show", "last", "--json").json["notes"]]
    assert "pump controller ready" in notes
    assert any("ramp done" in note for note in notes)


def test_checksums_are_demanded_once_one_was_good(
    recorded: Recorded, exported: Exported, scans: list[tuple[int, int, int]]
) -> None:
    lines = [nmea_xor(f"{n},{iu},{iv},{iw}") for n, (iu, iv, iw) in enumerate(scans)]
    lines[10] = lines[10][:-2] + ("00" if lines[10][-2:] != "00" else "01")
    lines[20] = lines[20][: lines[20].index("*")]
    summary = recorded("\n".join(["n,iu,iv,iw", *lines, ""]).encode(), bench_text("text", groups=RATE))
    assert summary["faults"] == {"bad_line": 2}
    assert codes_of(exported("--codes")) == {n: s for n, s in enumerate(scans) if n not in {10, 20}}


def test_unfinished_last_line_is_dropped(
    recorded: Recorded, exported: Exported, scans: list[tuple[int, int, int]]
) -> None:
    lines = [f"{iu},{iv},{iw}" for iu, iv, iw in scans]
    summary = recorded("\n".join(lines).encode(), bench_text("text", groups=RATE))
    assert summary["faults"] == {}
    assert codes_of(exported("--codes")) == dict(enumerate(scans[:-1]))


def test_decimals_are_values_in_their_own_unit(recorded: Recorded, exported: Exported) -> None:
    bench = bench_text("text", groups=RATE, channels=()) + (
        '[[channel]]\nname = "vbus"\nphase = "bus"\nsensor = "direct"\nunit = "V"\ndecimals = 2\n'
    )
    summary = recorded(b"vbus\n24.01\n-0.50\n23.9\n24\n", bench)
    assert summary["faults"] == {}
    values = [float(row["vbus_V"]) for row in exported()]
    assert values == pytest.approx([24.01, -0.5, 23.9, 24.0])
    assert [row["vbus_code"] for row in exported("--codes")] == ["24.01", "-0.50", "23.90", "24.00"]

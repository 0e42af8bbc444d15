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


# A header that does not fit


@pytest.mark.parametrize("separator", [",", " "])
def test_a_header_that_lacks_a_channel_ends_the_run(recorded: Recorded, separator: str) -> None:
    # Read by the channels' order, these counters would be phase currents, and as many overcurrents.
    lines = ["n,iu,iv", *(f"{n},2048,2047" for n in range(300)), ""]
    summary = recorded(
        "\n".join(lines).replace(",", separator).encode(), bench_text("text", groups=RATE), code=1
    )
    assert summary["ended"] == "error"
    assert summary["error"] == (
        "the bench file expects the channels iu, iv, iw; the device sends group 0: n, iu, iv; "
        "not there: iw. Correct name, column or group of these channels in the bench file"
    )
    assert (summary["groups"], summary["events"], summary["faults"]) == ([], 0, {})


def test_a_header_that_lacks_a_channel_ends_the_run_that_was_good_so_far(
    recorded: Recorded, livesense: Callable[..., Any], scans: list[tuple[int, int, int]]
) -> None:
    good = [f"{n},{iu},{iv},{iw}" for n, (iu, iv, iw) in enumerate(scans)]
    lines = ["n,iu,iv,iw", *good, "n,iu,iv,vbus", *good, ""]
    summary = recorded("\n".join(lines).encode(), bench_text("text", groups=RATE), code=1)
    assert "the device sends group 0: n, iu, iv, vbus; not there: iw" in summary["error"]
    assert summary["runs"] == [1, 2]
    assert livesense("show", "1", "--json").json["groups"][0]["scans_stored"] == len(scans)


def test_prose_with_a_channels_name_does_not_end_the_run(
    recorded: Recorded, exported: Exported, scans: list[tuple[int, int, int]]
) -> None:
    lines = [f"{iu},{iv},{iw}" for iu, iv, iw in scans]
    lines[100:100] = ["calibrating iu", "iu offset done", "trip, iu"]
    summary = recorded("\n".join([*lines, ""]).encode(), bench_text("text", groups=RATE))
    assert summary["faults"] == {}
    assert codes_of(exported("--codes")) == dict(enumerate(scans))


@pytest.mark.parametrize(
    ("header", "shown"),
    [
        ("count,phase_u,phase_v,phase_w", "count, phase_u, phase_v, phase_w"),
        ("count,phase\x1b_u,phase_v,phase_w", "count, phase\ufffd_u, phase_v, phase_w"),
        (f"count,phase_u,phase_v,{'w' * 300}", f"count, phase_u, phase_v, {'w' * 174}…"),
    ],
)
def test_a_misspelt_header_is_named_where_no_scan_came(recorded: Recorded, header: str, shown: str) -> None:
    lines = [header, *(f"{n},2048,2047,2050" for n in range(300)), ""]
    summary = recorded("\n".join(lines).encode(), bench_text("text", groups=RATE), code=1)
    assert summary["error"].endswith(
        "no scan was accepted on the 'text' wire (bad_line 300): "
        f"the bench file expects the columns iu, iv, iw; the header of the stream is {shown}; "
        "not there: iu, iv, iw. Correct column (or name) of these channels in the bench file, or the header"
    )


def test_numbers_alone_that_do_not_fit_have_no_header_to_name(recorded: Recorded) -> None:
    summary = recorded(b"1,2,3,4\n" * 300, bench_text("text", groups=RATE), code=1)
    assert (
        "(bad_line 299): check baud and wire in [link]; `livesense identify PORT` tells" in summary["error"]
    )

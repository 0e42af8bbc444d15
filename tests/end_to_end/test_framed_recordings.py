"""Whole recordings of the framed wire against a device that shares no code with livesense."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, note_frame, scans_frame

Recorded = Callable[..., dict[str, Any]]
Exported = Callable[..., list[dict[str, str]]]


def codes_of(
    rows: list[dict[str, str]], channels: tuple[str, ...] = ("iu", "iv", "iw")
) -> dict[int, tuple[int, ...]]:
    return {int(row["scan"]): tuple(int(row[f"{name}_code"]) for name in channels) for row in rows}


@pytest.mark.parametrize(
    ("code", "bits", "low", "high"),
    [
        ("u16", 12, 0, 4095),
        ("u16", 16, 0, 65535),
        ("u12", 12, 0, 4095),
        ("i16", 16, -32768, 32767),
        ("i32", 32, -(2**31), 2**31 - 1),
        ("i32", 24, -(2**23), 2**23 - 1),
    ],
)
@pytest.mark.parametrize("per_packet", [1, 3, 80])
def test_every_code_arrives_as_it_was_sent(
    recorded: Recorded, exported: Exported, code: str, bits: int, low: int, high: int, per_packet: int
) -> None:
    sender = Sender(code=code, low=low, high=high)
    stream = description_frame([group(sender.channels, code=code, bits=bits)])
    for _ in range(40):
        stream += sender.packet(per_packet)
    summary = recorded(stream, bench_text(bits=bits))
    assert summary["ended"] == "closed"
    assert summary["faults"] == {}
    assert summary["groups"][0]["scans_stored"] == len(sender.made)
    assert codes_of(exported("--codes")) == dict(enumerate(sender.made))


def test_lost_packets_are_gaps_to_the_scan(
    recorded: Recorded, exported: Exported, livesense: Callable[..., Any]
) -> None:
    sender = Sender()
    stream = description_frame([group(sender.channels)])
    lost: set[int] = set()
    rng = random.Random(3)
    for number in range(200):
        begin = sender.counter
        packet = sender.packet(rng.randint(1, 30))
        if number > 0 and number < 199 and rng.random() < 0.1:
            lost |= set(range(begin, sender.counter))
        else:
            stream += packet
    summary = recorded(stream, bench_text())
    kept = {scan: codes for scan, codes in enumerate(sender.made) if scan not in lost}
    assert codes_of(exported("--codes")) == kept
    assert summary["groups"][0]["scans_lost"] == len(lost)
    gaps = livesense("show", "last", "--json").json["gaps"]
    in_gaps = [scan for gap in gaps for scan in range(gap["first"], gap["first"] + gap["count"])]
    assert sorted(in_gaps) == sorted(lost)
    assert {gap["cause"] for gap in gaps} == {"wire"}
    assert summary["gaps"] == len(gaps)


def test_damaged_frames_are_counted_and_never_stored(recorded: Recorded, exported: Exported) -> None:
    sender = Sender()
    stream = description_frame([group(sender.channels)])
    lost: set[int] = set()
    for number in range(60):
        begin = sender.counter
        packet = bytearray(sender.packet(10))
        if number in {7, 30, 31}:
            # The last stuffed byte belongs to the checksum: change it, but not into a delimiter.
            packet[-2] = packet[-2] ^ 0x80 or 0x7F
            lost |= set(range(begin, sender.counter))
        stream += packet
    summary = recorded(stream, bench_text())
    assert sum(summary["faults"].values()) == 3
    assert set(summary["faults"]) <= {"crc", "stuffing"}
    assert summary["gaps"] == 2
    assert codes_of(exported("--codes")) == {s: c for s, c in enumerate(sender.made) if s not in lost}


def test_counter_wrap_is_neither_gap_nor_restart(recorded: Recorded, exported: Exported) -> None:
    sender = Sender(counter=2**32 - 35)
    stream = description_frame([group(sender.channels)])
    for _ in range(10):
        stream += sender.packet(10)
    summary = recorded(stream, bench_text())
    assert (summary["gaps"], summary["restarts"], summary["faults"]) == (0, 0, {})
    assert codes_of(exported("--codes")) == dict(enumerate(sender.made))


def test_restart_with_boot_numbers_is_one_row_and_the_indices_run_on(
    recorded: Recorded, exported: Exported, livesense: Callable[..., Any]
) -> None:
    first, second = Sender(counter=500), Sender(seed=2)
    stream = description_frame([group(first.channels)], boot=1) + first.packet(20) + first.packet(20)
    stream += description_frame([group(first.channels)], boot=2) + second.packet(20) + second.packet(20)
    summary = recorded(stream, bench_text())
    assert summary["restarts"] == 1
    assert summary["gaps"] == 0
    assert codes_of(exported("--codes")) == dict(enumerate(first.made + second.made))
    (restart,) = livesense("show", "last", "--json").json["restarts"]
    assert (restart["last_counter"], restart["first_counter"]) == (539, 0)


def test_repeated_and_late_packets_are_dropped_and_counted(recorded: Recorded, exported: Exported) -> None:
    sender = Sender()
    stream = description_frame([group(sender.channels)])
    packets = [sender.packet(10) for _ in range(6)]
    stream += packets[0] + packets[1] + packets[1] + packets[2] + packets[4] + packets[3] + packets[5]
    summary = recorded(stream, bench_text())
    assert summary["faults"] == {"repeated": 2}
    assert summary["gaps"] == 1
    assert summary["groups"][0]["scans_lost"] == 10
    expected = {s: c for s, c in enumerate(sender.made) if not 30 <= s < 40}
    assert codes_of(exported("--codes")) == expected


def test_two_groups_keep_their_own_counts(recorded: Recorded, exported: Exported) -> None:
    fast, slow = Sender(), Sender(channels=("t_sink", "state"), number=1, seed=9, counter=77)
    stream = description_frame([group(fast.channels), group(slow.channels, rate_hz=10)])
    for _ in range(25):
        stream += fast.packet(40)
        stream += slow.packet(1)
    stream += note_frame("ramp done")
    summary = recorded(stream, bench_text())
    assert [g["scans_stored"] for g in summary["groups"]] == [1000, 25]
    assert codes_of(exported("--codes")) == dict(enumerate(fast.made))
    assert codes_of(exported("--codes", group=1), ("t_sink", "state")) == dict(enumerate(slow.made))


def test_joining_in_the_middle_of_a_frame_counts_no_fault(recorded: Recorded, exported: Exported) -> None:
    sender = Sender(counter=1000)
    description = description_frame([group(sender.channels)])
    stream = sender.packet(10)[7:] + description + sender.packet(10) + sender.packet(10)[:-4]
    summary = recorded(stream, bench_text())
    assert summary["faults"] == {}
    assert codes_of(exported("--codes")) == dict(enumerate(sender.made[10:20]))


def test_scans_before_the_description_wait_for_it(recorded: Recorded, exported: Exported) -> None:
    sender = Sender()
    early = sender.packet(10)
    stream = early + description_frame([group(sender.channels)]) + sender.packet(10)
    recorded(stream, bench_text())
    assert codes_of(exported("--codes")) == dict(enumerate(sender.made))


def test_declared_groups_serve_where_the_device_says_nothing(recorded: Recorded, exported: Exported) -> None:
    sender = Sender()
    stream = b"".join(sender.packet(10) for _ in range(5))
    summary = recorded(stream, bench_text(groups='[[group]]\nrate = "20 kHz"\ncode = "u16"'))
    assert summary["groups"][0]["rate_hz"] == 20000
    assert codes_of(exported("--codes")) == dict(enumerate(sender.made))


def test_codes_beyond_the_bits_are_stored_and_counted(recorded: Recorded, exported: Exported) -> None:
    stream = description_frame([group(["iu", "iv", "iw"])])
    stream += scans_frame(0, 0, [(1, 2, 3), (4096, 2, 65535), (4, 5, 6)])
    summary = recorded(stream, bench_text())
    assert summary["faults"] == {"code_range": 2}
    assert codes_of(exported("--codes")) == {0: (1, 2, 3), 1: (4096, 2, 65535), 2: (4, 5, 6)}


def test_device_that_changes_its_channels_begins_a_new_run(
    recorded: Recorded, livesense: Callable[..., Any]
) -> None:
    three = Sender()
    four = Sender(channels=("iu", "iv", "iw", "vbus"), seed=5)
    stream = description_frame([group(three.channels)]) + three.packet(10)
    stream += description_frame([group(four.channels)]) + four.packet(20)
    summary = recorded(stream, bench_text())
    assert summary["runs"] == [1, 2]
    assert summary["groups"][0]["scans_stored"] == 20
    rows = livesense("runs", "--json").json["runs"]
    assert [(row["run"], row["state"], len(row["channels"])) for row in rows] == [
        (2, "complete", 4),
        (1, "complete", 3),
    ]


def test_bytes_without_a_scan_are_an_error_that_says_what_came(
    recorded: Recorded, livesense: Callable[..., Any]
) -> None:
    summary = recorded(b"hello, this is no frame\0" * 20, bench_text(), code=1)
    assert summary["ended"] == "error"
    assert "no scan was accepted" in summary["error"]
    assert livesense("runs", "--json").json["runs"][0]["state"] == "failed"


def test_missing_channel_is_an_error_that_names_both_lists(recorded: Recorded) -> None:
    sender = Sender(channels=("iu", "iv"))
    stream = description_frame([group(sender.channels)]) + sender.packet(10)
    summary = recorded(stream, bench_text(), code=1)
    assert summary["ended"] == "error"
    assert "iw" in summary["error"]
    assert "iu, iv" in summary["error"]

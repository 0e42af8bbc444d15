"""Bytes of the simulated device, read with decoders that are not livesense's own."""

import binascii
import functools
import json
import operator
import struct

import cobs.cobs
import numpy as np
import pytest

from livesense.errors import UsageError
from simulator.device import DESCRIBE_S, Device, Wire
from simulator.faults import FaultyLink, LinkFaults, parse_faults
from simulator.scenarios import BRING_UP, OVERLOAD
from simulator.sensing import FAST, SLOW
from simulator.waveform import DriveKind
from simulator.world import World


def device(
    wire=Wire.FRAMED, *, seed=1, scenario=BRING_UP, faults=None, rate_hz=20_000, kind="field-oriented"
):
    world = World(scenario, seed=seed, rate_hz=rate_hz, kind=DriveKind(kind), truth=False)
    return Device(world, wire, seed=seed, faults=faults)


def stream(source, scans):
    return b"".join(piece.data for pieces in source.run(scans) for piece in pieces)


def packets(data):
    """(kind, body) of each frame; checks stuffing (PyPI cobs) and checksum (binascii)."""
    frames = data.split(b"\0")
    assert frames.pop() == b""
    for frame in frames:
        packet = cobs.cobs.decode(frame)
        assert binascii.crc_hqx(packet[:-2], 0xFFFF) == struct.unpack("<H", packet[-2:])[0]
        yield packet[:1], packet[1:-2]


def scans_of(data, group, channels):
    counters, codes = [], []
    for kind, body in packets(data):
        if kind == b"S" and body[0] == group:
            rows = np.frombuffer(body[5:], dtype="<u2").reshape(-1, channels)
            first = struct.unpack("<I", body[1:5])[0]
            counters.extend(range(first, first + len(rows)))
            codes.append(rows)
    return counters, np.concatenate(codes)


def test_every_scan_is_sent_once_and_in_order():
    data = stream(device(), 40_010)
    counters, codes = scans_of(data, 0, 5)
    assert counters == list(range(40_010))
    assert codes.max() < 4096
    slow_counters, slow = scans_of(data, 1, 2)
    assert slow_counters == list(range(21))
    assert set(slow[:, 1].tolist()) == {0, 1}


def test_description_names_groups_and_comes_each_second():
    source = device()
    found = [json.loads(body) for kind, body in packets(stream(source, 60_000)) if kind == b"D"]
    assert len(found) == 3
    assert DESCRIBE_S == 1.0
    assert found[0] == found[1] == found[2]
    assert found[0]["livesense"] == 1
    assert found[0]["boot"] == source.boot
    fast, slow = found[0]["groups"]
    assert fast == {"rate_hz": 20000, "code": "u16", "bits": 12, "channels": list(FAST)}
    assert slow == {"rate_hz": 10, "code": "u16", "bits": 12, "channels": list(SLOW)}


def test_description_comes_first():
    kind, _ = next(packets(stream(device(), 100)))
    assert kind == b"D"


def test_notes_tell_the_story():
    notes = [body.decode() for kind, body in packets(stream(device(), 40_000)) if kind == b"N"]
    assert notes == ["bench ready, drive off", "start"]


def test_pieces_are_in_order_and_due_when_their_last_scan_is_there():
    (pieces,) = device().run(2000)
    due_s = [piece.due_s for piece in pieces]
    assert due_s == sorted(due_s)
    assert due_s[-1] == pytest.approx(0.1)
    first_fast = next(piece for piece in pieces if len(piece.data) > 200 and piece.due_s > 0.0)
    assert first_fast.due_s == pytest.approx(25 / 20e3)


@pytest.mark.parametrize("wire", list(Wire))
def test_same_seed_same_bytes_other_seed_other_bytes(wire):
    first = stream(device(wire, seed=5), 6000)
    assert stream(device(wire, seed=5), 6000) == first
    assert stream(device(wire, seed=6), 6000) != first


def test_bytes_do_not_depend_on_whether_truth_is_wanted():
    with_truth = Device(World(BRING_UP, seed=5), Wire.FRAMED, seed=5)
    assert stream(with_truth, 6000) == stream(device(seed=5), 6000)


@pytest.mark.parametrize("rate_hz", [1000, 4000, 10_000])
def test_slower_rates_sample_every_so_many_pulses(rate_hz):
    counters, _ = scans_of(stream(device(rate_hz=rate_hz), rate_hz), 0, 5)
    assert counters == list(range(rate_hz))


def test_six_step_and_field_oriented_drives_differ():
    scans = 60_000
    blocks = scans_of(stream(device(kind="six-step"), scans), 0, 5)[1]
    sines = scans_of(stream(device(), scans), 0, 5)[1]
    assert not np.array_equal(blocks, sines)


def lines_of(data):
    lines = data.decode().split("\n")
    assert lines.pop() == ""
    return lines


def test_text_lines_carry_counter_codes_and_a_checksum():
    data = stream(device(Wire.TEXT), 2100)
    lines = [line for line in lines_of(data) if not line.startswith("#")]
    header, rows = lines[0], lines[1:]
    assert header.split("*")[0].split(",") == ["n", *FAST, *SLOW]
    assert len(rows) == 2100
    for number, row in enumerate(rows):
        body, _, check = row.partition("*")
        # XOR of all bytes before the star, as NMEA 0183 does
        assert functools.reduce(operator.xor, body.encode()) == int(check, 16)
        fields = [int(field) for field in body.split(",")]
        assert fields[0] == number and len(fields) == 8


def test_text_and_framed_wires_send_the_same_codes():
    framed = scans_of(stream(device(), 2000), 0, 5)[1]
    lines = [line for line in lines_of(stream(device(Wire.TEXT), 2000)) if line[0].isdigit()]
    text = np.array([line.split("*")[0].split(",")[1:6] for line in lines], dtype=int)
    assert np.array_equal(framed, text)


def test_text_header_and_description_come_again_for_those_who_join_late():
    lines = lines_of(stream(device(Wire.TEXT, rate_hz=1000), 2500))
    assert sum(line.startswith("n,") for line in lines) == 3
    described = [json.loads(line[1:]) for line in lines if line.startswith("#{")]
    assert len(described) == 3
    assert described[0]["groups"][0]["channels"] == list(FAST + SLOW)


def test_dropped_frames_leave_holes_in_the_count():
    data = stream(device(faults=LinkFaults(drop=0.1)), 20_000)
    counters, _ = scans_of(data, 0, 5)
    assert 16_000 < len(counters) < 19_500
    assert counters == sorted(set(counters))


def test_corrupt_frames_fail_their_checks_one_by_one():
    clean = stream(device(), 20_000).split(b"\0")
    harmed = stream(device(faults=LinkFaults(corrupt=0.1)), 20_000).split(b"\0")
    assert len(clean) == len(harmed)
    differing = [(a, b) for a, b in zip(clean, harmed, strict=True) if a != b]
    assert 40 < len(differing) < 140
    for before, after in differing:
        bits = (int.from_bytes(before, "big") ^ int.from_bytes(after, "big")).bit_count()
        assert bits in (1, 2) and len(before) == len(after)


def test_duplicates_repeat_whole_frames():
    clean = stream(device(), 10_000).split(b"\0")
    harmed = stream(device(faults=LinkFaults(duplicate=0.2)), 10_000).split(b"\0")
    assert len(harmed) > len(clean)
    assert [frame for k, frame in enumerate(harmed) if k == 0 or frame != harmed[k - 1]] == clean


def test_reset_counts_from_zero_with_another_boot_number():
    source = device(faults=LinkFaults(resets_s=(0.5,)))
    boot = source.boot
    data = stream(source, 20_000)
    counters, _ = scans_of(data, 0, 5)
    assert counters == [*range(10_000), *range(10_000)]
    boots = [json.loads(body)["boot"] for kind, body in packets(data) if kind == b"D"]
    assert boots == [boot, source.boot]
    assert boot != source.boot


def test_flip_never_makes_a_delimiter():
    link = FaultyLink(LinkFaults(corrupt=1.0), np.random.default_rng(0), b"\n")
    for _ in range(200):
        out = link.carry(b"\x0b\x0a")
        assert out.count(b"\n") == 1 and out != b"\x0b\n"


def test_fault_texts():
    faults = parse_faults(["drop=0.1,reset=3", "reset=1.5", "corrupt=1", "duplicate=0"])
    assert faults == LinkFaults(drop=0.1, corrupt=1.0, duplicate=0.0, resets_s=(1.5, 3.0))
    assert parse_faults([]) == LinkFaults()


@pytest.mark.parametrize(
    "text", ["drop", "drop=2", "drop=-0.1", "lose=0.1", "reset=-1", "reset=inf", "corrupt=x", ""]
)
def test_wrong_fault_texts_are_refused(text):
    with pytest.raises(UsageError, match=r"expected drop, corrupt or duplicate"):
        parse_faults([text])


@pytest.mark.slow
@pytest.mark.parametrize("scenario", [BRING_UP, OVERLOAD], ids=lambda scenario: scenario.name)
def test_story_starts_again_when_it_is_over(scenario):
    source = device(scenario=scenario)
    scans = round((scenario.seconds + 4.0) * 20e3)
    notes = [body.decode() for kind, body in packets(stream(source, scans)) if kind == b"N"]
    told = [phase.note for phase in scenario.phases if phase.note]
    assert notes == [*told, *told[:2]]

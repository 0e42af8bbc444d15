"""Records as firmware of other hands sends them, made byte by byte here; and what is none."""

from __future__ import annotations

import binascii
import math
import tomllib
from collections.abc import Callable

import numpy as np
import pytest

from livesense.identify.binary import FoundRecord, find_record
from livesense.identify.finding import identify

RECORDS = 800


def currents(
    number: int, scan: int = 0, scans: int = 1, noise: Callable[[], float] = lambda: 0.0
) -> list[int]:
    """Three codes about mid-scale, 120° apart, 40 Hz at 4 kHz of scans."""
    angle = 2 * math.pi * 40 * (number * scans + scan) / 4000
    return [round(2048 + 900 * math.sin(angle - n * 2 * math.pi / 3) + noise()) for n in range(3)]


def stream(body: Callable[[int], bytes], finish: Callable[[bytes], bytes], cut: int = 5) -> bytes:
    return b"".join(finish(body(number)) for number in range(RECORDS))[cut:]


def plain(order: str = "little", seed: int = 1) -> Callable[[int], bytes]:
    rng = np.random.default_rng(seed)

    def body(number: int) -> bytes:
        codes = currents(number, noise=lambda: float(rng.normal(0, 2)))
        return bytes([number % 256]) + b"".join(code.to_bytes(2, order) for code in codes)

    return body


def types(found: FoundRecord) -> list[str]:
    return [f"{one.role}:{one.type}" for one in found.fields]


EXPECTED = ["counter:u8", "channel:u16", "channel:u16", "channel:u16"]


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("of_check", ["little", "big"])
@pytest.mark.parametrize("over_sync", [False, True])
@pytest.mark.parametrize("initial", [0, 0xFFFF])
def test_crcs_of_any_reach_and_byte_order(order: str, of_check: str, over_sync: bool, initial: int) -> None:
    def finish(body: bytes) -> bytes:
        # binascii.crc_hqx has the polynomial 0x1021: from 0 CRC-16/XMODEM, from 0xFFFF CRC-16/IBM-3740.
        crc = binascii.crc_hqx(b"\xa5\x5a" + body if over_sync else body, initial)
        return b"\xa5\x5a" + body + crc.to_bytes(2, of_check)

    found = find_record(stream(plain(order), finish))
    assert found is not None
    assert (found.length, found.sync, found.check_over_sync) == (11, b"\xa5\x5a", over_sync)
    assert found.check == ("crc16-ibm-3740" if initial else "crc16-xmodem")
    assert (found.check_big, found.big) == (of_check == "big", order == "big")
    assert types(found) == EXPECTED
    assert found.confidence >= 0.9


def test_what_was_found_stands_in_the_bench_file() -> None:
    def finish(body: bytes) -> bytes:
        return b"\xa5\x5a" + body + binascii.crc_hqx(b"\xa5\x5a" + body, 0).to_bytes(2, "big")

    found = identify(stream(plain(), finish), None)
    record = tomllib.loads(found.bench)["link"]["record"]
    assert record == {
        "sync": "A5 5A", "endian": "little", "fields": ["n:u8", "a1:u16", "a2:u16", "a3:u16"],
        "check": "crc16-xmodem", "check_over": "all", "check_endian": "big",
    }  # fmt: skip


def test_a_check_without_any_sync_word() -> None:
    found = find_record(
        stream(plain(), lambda body: body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little"))
    )
    assert found is not None
    assert (found.length, found.sync, found.check) == (9, b"", "crc16-ibm-3740")
    assert types(found) == EXPECTED


def test_a_sync_word_at_the_end_begins_the_next_record() -> None:
    found = find_record(stream(plain(), lambda body: body + b"\xeb\x90"))
    assert found is not None
    assert (found.sync, found.check, types(found)) == (b"\xeb\x90", "none", EXPECTED)


@pytest.mark.parametrize(
    ("step", "unit", "rate_hz"), [(1, "t_ms", 1000.0), (2.5, "t_ms", 400.0), (250, "t_us", 4000.0)]
)
def test_a_clock_and_its_unit(step: float, unit: str, rate_hz: float) -> None:
    rng, counted = np.random.default_rng(3), plain()

    def body(number: int) -> bytes:
        # A clock that is not in step with the records: it shows the whole units that have passed.
        ticks = int(5_000_000.1 + number * step + float(rng.normal(0, 0.05)))
        return ticks.to_bytes(4, "little") + counted(number)

    found = find_record(stream(body, lambda body: b"\xa5\x5a" + body + bytes([sum(body) & 0xFF])))
    assert found is not None
    assert types(found) == ["clock:u32", *EXPECTED]
    assert found.clock == unit
    assert found.rate_hz == pytest.approx(rate_hz, rel=0.01)


def test_a_clock_whose_bits_would_be_a_float_in_range() -> None:
    counted = plain()
    # From 0x4121…, as a float about ten, on.
    found = find_record(
        stream(
            lambda n: (1_092_712_251 + 100 * n + n % 2).to_bytes(4, "little") + counted(n),
            lambda body: b"\xa5\x5a" + body + bytes([sum(body) & 0xFF]),
        )
    )
    assert found is not None
    assert types(found) == ["clock:u32", *EXPECTED]


def test_scans_of_a_record_and_a_counter_that_counts_them() -> None:
    rng = np.random.default_rng(4)

    def body(number: int) -> bytes:
        codes = [c for s in range(4) for c in currents(number, s, 4, lambda: float(rng.normal(0, 2)))]
        return (4 * number % 65536).to_bytes(2, "little") + b"".join(c.to_bytes(2, "little") for c in codes)

    found = identify(stream(body, lambda body: b"\xa5\x5a" + body + bytes([sum(body) & 0xFF])), None)
    record = tomllib.loads(found.bench)["link"]["record"]
    assert (record["scans"], record["counts"]) == (4, "scans")
    assert record["fields"] == ["n:u16", "a1:u16", "a2:u16", "a3:u16"]


def test_a_state_is_no_high_byte_of_what_stands_before_it() -> None:
    counted = plain()
    found = find_record(
        stream(
            lambda n: counted(n) + bytes([1 + n // 300]),
            lambda body: b"\xa5\x5a" + body + bytes([sum(body) & 0xFF]),
        )
    )
    assert found is not None
    assert types(found) == [*EXPECTED, "channel:u8"]


@pytest.mark.parametrize("codes", [64, 1200])
def test_amperes_in_floats_at_rest_and_running(codes: int) -> None:
    rng = np.random.default_rng(5)

    def body(number: int) -> bytes:
        angle = 2 * math.pi * 40 * number / 4000
        values = [codes / 32 * math.sin(angle - n) + float(rng.normal(0, 2)) for n in range(3)]
        return np.array([round(v) * 16.5 / 2048 for v in values], "<f4").tobytes()

    found = find_record(stream(body, lambda body: b"\xaa\x55" + body + bytes([sum(body) & 0xFF])))
    assert found is not None
    assert types(found) == ["channel:f32"] * 3


@pytest.mark.parametrize(
    "line",
    [
        "iu:{0} iv:{1}",
        "{0:04X} {1:04X} 0A8F",
        '{{"iu": {0}, "iv": {1}}}',
        "[{0}] motor: state run, speed {1} rpm",
    ],
)
def test_text_that_is_not_numbers_alone_is_told_as_such(line: str) -> None:
    text = "".join(line.format(*currents(n)) + "\r\n" for n in range(400))
    found = identify(text.encode(), 1.0)
    assert (found.wire, found.confidence, found.bench) == (None, 0.0, "")
    assert "text, but not lines of numbers" in found.evidence[0]


def test_words_of_a_boot_message_are_no_header() -> None:
    rows = "".join("{} {} {}\n".format(*currents(n)) for n in range(200))
    found = identify(f"RST cause: on\n{rows}".encode(), None)
    assert found.channels == ("a1", "a2", "a3")


def test_undescribed_packets_count_as_frames() -> None:
    from pump_streams import frames

    damaged = bytearray(frames(described=False) * 4)
    for at in range(500, len(damaged), 2000):
        damaged[at] ^= 0x55
    assert identify(bytes(damaged), None).wire == "framed"


@pytest.mark.parametrize("seed", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in range(1, 4))])
def test_a_sound_or_bare_codes_are_no_certain_record(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sound = np.convolve(rng.normal(0, 1, 20_000), np.ones(8) / 8, "same") * 6000
    for data in (sound.astype("<i2").tobytes(), np.rint(rng.normal(2048, 3, 20_000)).astype("<u2").tobytes()):
        found = identify(data, None)
        assert found.wire is None or found.confidence < 0.7

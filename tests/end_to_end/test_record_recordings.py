"""Whole recordings of declared records, made byte by byte as firmware would make them."""

from __future__ import annotations

import math
import random
import struct
import zlib
from collections.abc import Callable
from typing import Any

import pytest

Recorded = Callable[..., dict[str, Any]]
Exported = Callable[..., list[dict[str, str]]]
Command = Callable[..., Any]


def modbus(data: bytes) -> int:
    """CRC-16/MODBUS bit by bit (parameters of the public catalogue, from memory)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def bench(layout: str, channels: str, rate: str = "10 kHz", adc: str = "bits = 12") -> str:
    return (
        f'[link]\nwire = "record"\n[link.record]\n{layout}\n[[group]]\nrate = "{rate}"\n'
        f'[adc]\n{adc}\nreference = "3.3 V"\n{channels}'
    )


SHUNTS = "".join(
    f'[[channel]]\nname = "i{phase.lower()}"\nphase = "{phase}"\nsensor = "shunt"\nshunt = "5 mΩ"\n'
    "gain = 20\n"
    'reference = "mid-supply"\n'
    for phase in "UVW"
)
LAYOUT = 'sync = "A5 5A"\nfields = ["n:u8", "iu:u16", "iv:u16", "iw:u16"]\ncheck = "crc16-modbus"'


def sines(count: int) -> list[list[int]]:
    """Codes of 1000 either side of mid-scale, 100 Hz at 10 kHz."""
    return [
        [round(2048 + 1000 * math.sin(2 * math.pi * (n / 100 - k / 3))) for k in range(3)]
        for n in range(count)
    ]


def stream(scans: list[list[int]], first: int = 0) -> list[bytes]:
    bodies = [struct.pack("<B3H", (first + n) % 256, *codes) for n, codes in enumerate(scans)]
    return [b"\xa5\x5a" + body + struct.pack("<H", modbus(body)) for body in bodies]


def test_every_code_and_every_loss_to_the_scan(recorded: Recorded, exported: Exported) -> None:
    scans = sines(3000)
    records = stream(scans)
    rng = random.Random(2)
    lost = {at + k for at in rng.sample(range(50, 2900, 40), 20) for k in range(rng.randint(1, 9))}
    spoilt = 1501
    lost -= {spoilt - 1, spoilt, spoilt + 1}
    records[spoilt] = records[spoilt][:5] + b"\xee" + records[spoilt][6:]
    sent = b"tail\xa5" + b"".join(r for n, r in enumerate(records) if n not in lost) + b"\xa5\x5a\x01"
    summary = recorded(sent, bench(LAYOUT, SHUNTS))
    assert summary["faults"] == {"bad_record": 1}
    assert summary["groups"][0]["scans_lost"] == len(lost) + 1
    assert summary["groups"][0]["scans_stored"] == 3000 - len(lost) - 1
    found = {int(r["scan"]): [int(r[f"{i}_code"]) for i in ("iu", "iv", "iw")] for r in exported("--codes")}
    assert found == {n: codes for n, codes in enumerate(scans) if n not in lost and n != spoilt}


def test_amperes_by_ohms_law(recorded: Recorded, livesense: Command) -> None:
    recorded(b"".join(stream(sines(2000))), bench(LAYOUT, SHUNTS))
    channels = livesense("measure", "--json").json["channels"]
    # 1000 codes of 3.3 V / 4096, over 5 mΩ times 20, peak to rms.
    assert channels["iu"]["rms"]["value"] == pytest.approx(1000 * 3.3 / 4096 / 0.1 / math.sqrt(2), rel=2e-4)
    assert channels["iv"]["phase_deg"]["value"] == pytest.approx(-120, abs=0.02)


def test_a_repeated_record_and_a_restart(recorded: Recorded) -> None:
    records = stream(sines(400), first=40)
    summary = recorded(b"".join([*records[:200], records[199], *records[200:]]), bench(LAYOUT, SHUNTS))
    assert (summary["faults"], summary["restarts"]) == ({"repeated": 1}, 0)
    again = b"".join([*stream(sines(150), first=0), *stream(sines(100), first=0)])
    summary = recorded(again, bench(LAYOUT, SHUNTS))
    # 150 → 0 is 106 ahead of an eight-bit counter: it looks like loss, and is told as it looks.
    assert (summary["groups"][0]["scans_lost"], summary["restarts"]) == (106, 0)
    again = b"".join([*stream(sines(100), first=0), *stream(sines(100), first=0)])
    assert recorded(again, bench(LAYOUT, SHUNTS))["restarts"] == 1


def test_several_scans_a_record_with_counter_and_clock(recorded: Recorded, exported: Exported) -> None:
    layout = (
        'sync = "7E"\nendian = "big"\nfields = ["n:u16", "t_us:u32", "a:i24", "b:u32"]\n'
        'check = "crc32"\nscans = 4'
    )
    direct = '[[channel]]\nname = "a"\nsensor = "direct"\n[[channel]]\nname = "b"\nsensor = "direct"\n'
    rng = random.Random(3)
    scans = [[rng.randint(-(1 << 23), (1 << 23) - 1), rng.getrandbits(32)] for _ in range(4000)]
    sent = b""
    for n in range(1000):
        # A device whose crystal is 200 ppm fast against the nominal 10 kHz: 400 µs less 0.08.
        body = struct.pack(">HI", (65000 + n) % 65536, (2**32 - 1000 + round(n * 399.92)) % 2**32)
        for a, b in scans[4 * n : 4 * n + 4]:
            body += a.to_bytes(3, "big", signed=True) + b.to_bytes(4, "big")
        if n not in (10, 11):
            sent += b"\x7e" + body + zlib.crc32(body).to_bytes(4, "big")
    summary = recorded(sent, bench(layout, direct, adc="bits = 32"))
    (group,) = summary["groups"]
    assert (group["scans_stored"], group["scans_lost"], summary["gaps"]) == (3992, 8, 1)
    fitted = group["rate_fitted_hz"]
    assert abs(fitted["value"] - 1e4 / (1 - 200e-6)) <= 2 * fitted["u"] + 0.02
    found = {int(r["scan"]): [int(r["a_code"]), int(r["b_code"])] for r in exported("--codes")}
    assert found == {n: codes for n, codes in enumerate(scans) if not 40 <= n < 48}


def test_floats_are_kept_as_they_are(recorded: Recorded, exported: Exported, livesense: Command) -> None:
    layout = 'sync = "AA 55"\nfields = ["iu:f32", "x:u32"]\ncheck = "sum8"'
    channel = '[[channel]]\nname = "iu"\nphase = "U"\nsensor = "direct"\nunit = "A"\n'
    values = [12.3456789 * math.sin(n / 16) for n in range(400)]
    values[7], values[9] = math.nan, math.inf
    sent = b""
    for n, value in enumerate(values):
        body = struct.pack("<fI", value, n)
        sent += b"\xaa\x55" + body + bytes([sum(body) % 256])
    summary = recorded(sent, bench(layout, channel, adc="bits = 32"))
    assert summary["groups"][0]["scans_lost"] is None
    assert summary["faults"] == {"code_range": 2}
    rows = exported("--codes")
    assert [r["x_code"] for r in rows] == [str(n) for n in range(400)]
    assert (rows[7]["iu_code"], rows[9]["iu_code"]) == ("", "")
    for n, row in enumerate(rows):
        if n not in (7, 9):
            # At least seven digits: the float comes back to the last bit.
            assert struct.pack("<f", float(row["iu_code"])) == struct.pack("<f", values[n])
    assert [r["iu_A"] for r in exported()][7] == ""
    assert livesense("measure", "--json").code == 0


def test_codes_beyond_the_adc_are_counted(recorded: Recorded) -> None:
    scans = sines(300)
    scans[5][1] = 4096
    assert recorded(b"".join(stream(scans)), bench(LAYOUT, SHUNTS))["faults"] == {"code_range": 1}


def test_a_wrong_layout_is_said(recorded: Recorded, livesense: Command) -> None:
    sent = b"".join(stream(sines(300)))
    recorded(sent, bench(LAYOUT.replace("modbus", "ibm-3740"), SHUNTS), code=1)
    answer = livesense("record", "pump.toml", "--port", "file:stream.bin", "--until-closed")
    assert "no scan was accepted on the 'record' wire" in answer.err
    assert "livesense identify" in answer.err


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ('"iu:u16"', '"x:u16"'),
            'channel "iu": column: expected one of the fields in [link.record]: x, iv, iw',
        ),
        (("bits = 12\n", ""), 'channel "iu": bits: expected the ADC'),
        (('"iu:u16"', '"iu:f32"'), 'channel "iu": sensor: expected "direct", since its field is f32'),
        (('rate = "10 kHz"', ""), "group 0: rate: expected scans per second"),
        (('rate = "10 kHz"', 'rate = "10 kHz"\ncode = "u16"'), "group 0: code: expected no such key"),
    ],
)
def test_what_does_not_fit_is_refused(livesense: Command, tmp_path: Any, change: Any, said: str) -> None:
    text = bench(LAYOUT, SHUNTS)
    assert change[0] in text
    (tmp_path / "b.toml").write_text(text.replace(*change), encoding="utf-8")
    answer = livesense("record", "b.toml", "--port", "file:nothing")
    assert answer.code == 2
    assert said in answer.err

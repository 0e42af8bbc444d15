"""The `zero` command: what it keeps, what it refuses, and what runs make of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text

from livesense.logbook.reader import Logbook

Command = Callable[..., Any]

CODE_A = 3.3 / 4096 / (20 * 0.005)
OFF = {"iu": 2053.3, "iv": 2041.6, "iw": 2048.9}
OFFSETS = 'offset = "5 mV"\n'


def limited(**more: Any) -> str:
    """A bench whose file states offsets of 1 A or less."""
    text = bench_text(**more)
    return text.replace('reference = "mid-supply"', 'reference = "mid-supply"\n' + OFFSETS.rstrip())


def test_zeros_are_kept_and_later_runs_use_them(
    bench: Any, sent: Any, livesense: Command, tmp_path: Path
) -> None:
    path = bench()
    zeroed = livesense("zero", path, "--port", sent(OFF, device="pump 7"), "--json")
    assert zeroed.code == 0, zeroed.err
    facts = zeroed.json
    assert facts["stored"]
    for name, code in OFF.items():
        found = facts["channels"][name]
        assert abs(found["zero_code"] - code) <= 3 * found["u_codes"]
        assert found["offset"]["value"] == pytest.approx((found["zero_code"] - 2048) * CODE_A)
        assert (found["stored"], found["one_sided"], found["reason"]) == (True, False, None)
    run = livesense("record", path, "--port", sent(OFF, seed=2, device="pump 7"), "--json").json
    assert run["calibration"] == {"used": [1, 2, 3], "warnings": []}
    shown = livesense("show", "last", "--json").json
    assert shown["calibration"]["channels"]["iu"]["zero"]["calibration"] == 1
    assert shown["calibration"]["stale"] == []
    measured = livesense("measure", "last", "--json").json["channels"]
    for name in OFF:
        mean = measured[name]["mean"]
        assert abs(mean["value"]) <= 3 * mean["u"]
        assert mean["u"] < CODE_A
        assert "offset" not in measured[name]["u_excludes"]


def test_a_run_keeps_the_zero_it_began_with(bench: Any, sent: Any, livesense: Command) -> None:
    path = bench()
    assert livesense("record", path, "--port", sent(OFF), "--json").json["calibration"]["used"] == []
    before = livesense("measure", 1, "--json").json["channels"]["iu"]["mean"]["value"]
    assert before == pytest.approx(5.3 * CODE_A, abs=0.2 * CODE_A)
    livesense("zero", path, "--port", sent(OFF), "--json")
    livesense("record", path, "--port", sent(OFF), "--json")
    livesense("zero", path, "--port", sent({n: c + 8 for n, c in OFF.items()}), "--json")
    assert livesense("measure", 1, "--json").json["channels"]["iu"]["mean"]["value"] == before
    assert abs(livesense("measure", 2, "--json").json["channels"]["iu"]["mean"]["value"]) < 0.2 * CODE_A
    livesense("record", path, "--port", sent(OFF), "--json")
    assert livesense("measure", 3, "--json").json["channels"]["iu"]["mean"]["value"] == pytest.approx(
        -8 * CODE_A, abs=0.2 * CODE_A
    )


def wave(peak: float, hz: float = 50.0, scans: int = 4000) -> np.ndarray:
    return peak * np.sin(2 * np.pi * hz * np.arange(scans) / 2000)


@pytest.mark.parametrize(
    ("codes", "said"),
    [
        (OFF | {"iv": 2041 + wave(6)}, "iv alternates by ±"),
        (OFF | {"iw": 2048 + np.linspace(0, 4, 4000)}, "iw drifts by 3.95 codes (0.0318 A)"),
        (OFF | {"iu": 2048 + 2047 * (np.arange(4000) % 500 == 0)}, "iu"),
        (OFF | {"iu": 2260.0}, "iu lies 1.71 A from the bench file's zero, more than is plausible: 5 %"),
    ],
)
def test_what_does_not_stand_still_is_refused(
    bench: Any, sent: Any, livesense: Command, tmp_path: Path, codes: dict[str, Any], said: str
) -> None:
    answer = livesense("zero", bench(), "--port", sent(codes), "--json")
    assert answer.code == 1
    assert said in answer.err
    assert "no zero was kept" in answer.err
    assert not answer.json["stored"]
    assert not (tmp_path / "livesense.db").exists()


def test_a_zero_beyond_the_bench_file_s_offsets_needs_a_reason(
    bench: Any, sent: Any, livesense: Command, tmp_path: Path
) -> None:
    path = bench(limited())
    far = sent(OFF | {"iu": 2300.0})
    refused = livesense("zero", path, "--port", far, "--json")
    assert refused.code == 1
    assert "more than the bench file's offsets allow" in refused.err
    assert livesense("zero", path, "--port", far, "--json", "--force", " ").code == 2
    forced = livesense("zero", path, "--port", far, "--json", "--force", "reference from another supply")
    assert forced.code == 0
    with Logbook(tmp_path / "livesense.db") as book:
        rows = {row.channel: row for row in book.calibrations("coolant pump, 24 V", dict.fromkeys(OFF, ""))}
    assert (rows["iu"].reason, rows["iv"].reason) == ("reference from another supply", "")


def test_force_does_not_make_a_current_a_zero(bench: Any, sent: Any, livesense: Command) -> None:
    moving = sent(OFF | {"iv": 2041 + wave(6)})
    assert livesense("zero", bench(), "--port", moving, "--json", "--force", "in a hurry").code == 1


def test_a_zero_in_the_swing_is_one_sided(bench: Any, sent: Any, livesense: Command) -> None:
    text = bench_text().replace('reference = "mid-supply"', 'reference = "ground"', 1)
    answer = livesense("zero", bench(text), "--port", sent(OFF | {"iu": 3.0}), "--json")
    assert answer.code == 0, answer.err
    iu = answer.json["channels"]["iu"]
    assert (iu["stored"], iu["one_sided"]) == (False, True)
    assert "swing" in iu["reason"]
    assert answer.json["channels"]["iv"]["stored"]
    alone = livesense("zero", bench(text), "--port", sent(OFF | {"iu": 3.0}), "--json", "--channel", "iu")
    assert (alone.code, alone.json["stored"]) == (1, False)
    assert "one-sided" in alone.err


def test_a_reading_at_the_end_of_a_range_whose_zero_is_elsewhere_is_refused(
    bench: Any, sent: Any, livesense: Command
) -> None:
    answer = livesense("zero", bench(), "--port", sent(OFF | {"iu": 10.0}), "--json")
    assert answer.code == 1
    assert "end of its range" in answer.err


BUS = """
[[channel]]
name = "ibus"
phase = "bus"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
offset = "50 µV"
reference = "mid-supply"
"""


def test_a_bus_that_feeds_the_drive_s_electronics_is_left_out(
    bench: Any, sent: Any, livesense: Command
) -> None:
    path = bench(bench_text(more=BUS))
    answer = livesense("zero", path, "--port", sent(OFF | {"ibus": 2060.0}), "--json")
    assert answer.code == 0, answer.err
    assert "ibus lies" in answer.err
    assert answer.json["channels"]["iu"]["stored"]
    assert not answer.json["channels"]["ibus"]["stored"]
    assert "ibus" not in livesense("record", path, "--port", sent(OFF | {"ibus": 2060.0}), "--json").err
    assert "ibus" not in livesense("show", "last", "--json").json["calibration"]["channels"]


def test_a_bus_that_is_not_dead_is_told(bench: Any, sent: Any, livesense: Command) -> None:
    voltage = '[[channel]]\nname = "vbus"\nphase = "bus"\nsensor = "divider"\nratio = 11\n'
    path = bench(bench_text(more=BUS + voltage))
    for volts, dead in ((0.4, True), (24.0, False)):
        codes = OFF | {"ibus": 2049.0, "vbus": volts / 11 / 3.3 * 4096}
        answer = livesense("zero", path, "--port", sent(codes), "--json")
        assert answer.code == 0, answer.err
        assert (answer.json["warnings"] == []) is dead
        assert answer.json["channels"]["ibus"]["stored"] is dead
        assert answer.json["channels"]["iu"]["stored"]
    assert "the bus reads 24 V: it is not de-energised" in answer.err
    assert "is the current of a bus that is at 24 V" in answer.json["channels"]["ibus"]["reason"]


def still(n: int, seed: int = 3) -> list[tuple[int, ...]]:
    noise = np.random.default_rng(seed).normal(0, 1.2, (n, 3))
    return [tuple(row) for row in np.rint(np.array(list(OFF.values())) + noise).astype(int).tolist()]


def test_a_text_wire_has_zeros_too(bench: Any, livesense: Command, tmp_path: Path) -> None:
    path = bench(bench_text("text", groups='[[group]]\nrate = "1 kHz"'))
    lines = ["n,iu,iv,iw", *(f"{n},{u},{v},{w}" for n, (u, v, w) in enumerate(still(2000)))]
    (tmp_path / "text.bin").write_bytes(("\n".join(lines) + "\n").encode())
    answer = livesense("zero", path, "--port", f"file:{tmp_path / 'text.bin'}", "--json")
    assert answer.code == 0, answer.err
    assert answer.json["channels"]["iv"]["zero_code"] == pytest.approx(OFF["iv"], abs=0.2)
    assert answer.json["channels"]["iv"]["scans"] == 2000


def test_a_record_wire_has_zeros_too(bench: Any, livesense: Command, tmp_path: Path) -> None:
    record = '[link.record]\nsync = "A5 5A"\nfields = ["n:u8", "iu:u16", "iv:u16", "iw:u16"]\n'
    path = bench(bench_text("record", groups='[[group]]\nrate = "1 kHz"', more=record))
    data = b"".join(
        b"\xa5\x5a" + bytes([n % 256]) + b"".join(code.to_bytes(2, "little") for code in row)
        for n, row in enumerate(still(2000))
    )
    (tmp_path / "record.bin").write_bytes(data)
    answer = livesense("zero", path, "--port", f"file:{tmp_path / 'record.bin'}", "--json")
    assert answer.code == 0, answer.err
    assert answer.json["channels"]["iw"]["zero_code"] == pytest.approx(OFF["iw"], abs=0.2)


def test_channels_may_be_chosen(bench: Any, sent: Any, livesense: Command) -> None:
    address = sent(OFF)
    answer = livesense("zero", bench(), "--port", address, "--json", "--channel", "iv, iu")
    assert list(answer.json["channels"]) == ["iv", "iu"]
    wrong = livesense("zero", bench(), "--port", address, "--json", "--channel", "ix")
    assert (wrong.code, wrong.out) == (2, "")
    assert "expected names out of iu, iv, iw" in wrong.err


def test_wrong_use_creates_nothing(bench: Any, livesense: Command, tmp_path: Path) -> None:
    assert livesense("zero", bench(), "--json").code == 2
    assert livesense("zero", bench(), "--port", "nonsense://x", "--json").code == 2
    assert livesense("zero", tmp_path / "none.toml", "--port", "file:x", "--json").code == 2
    assert not (tmp_path / "livesense.db").exists()


def test_people_are_told_to_take_the_power_off(bench: Any, sent: Any, livesense: Command) -> None:
    answer = livesense("zero", bench(), "--port", sent(OFF))
    assert answer.code == 0
    assert "Take the power off the drive first" in answer.err
    assert "rated meter" in answer.err
    assert "kept" in answer.out
    assert "runs recorded from now on use it" in answer.out
    shown = livesense("record", bench(), "--port", sent(OFF))
    assert shown.code == 0
    assert "zero" in livesense("show", "last").out


# Boards, age and temperature


def on_board(name: str) -> str:
    return bench_text().replace('sensor = "shunt"', f'sensor = "shunt"\nboard = "{name}"')


def test_a_zero_belongs_to_its_board(bench: Any, sent: Any, livesense: Command) -> None:
    assert livesense("zero", bench(on_board("A3")), "--port", sent(OFF), "--json").code == 0
    other = livesense("record", bench(on_board("B1")), "--port", sent(OFF), "--json").json
    assert other["calibration"]["used"] == []
    (warning,) = other["calibration"]["warnings"]
    assert "calibration of iu, iv, iw: made on board 'A3', the bench file now names board 'B1'" in warning
    same = livesense("record", bench(on_board("A3")), "--port", sent(OFF), "--json").json
    assert same["calibration"] == {"used": [1, 2, 3], "warnings": []}


def test_another_device_is_told(bench: Any, sent: Any, livesense: Command) -> None:
    livesense("zero", bench(), "--port", sent(OFF, device="pump 7"), "--json")
    other = livesense("record", bench(), "--port", sent(OFF, device="pump 8"), "--json").json
    assert other["calibration"]["used"] == [1, 2, 3]
    assert "'pump 7', this one calls itself 'pump 8'" in other["calibration"]["warnings"][0]
    assert (
        livesense("measure", "last", "--json").json["calibration_warnings"]
        == other["calibration"]["warnings"]
    )


def test_an_old_zero_is_stale_and_the_bench_file_s_offsets_count_again(
    bench: Any, sent: Any, livesense: Command, tmp_path: Path
) -> None:
    path = bench(limited())
    livesense("zero", path, "--port", sent(OFF), "--json")
    livesense("record", path, "--port", sent(OFF), "--json")
    fresh = livesense("measure", "last", "--json").json
    with sqlite3.connect(tmp_path / "livesense.db") as db:
        db.execute("UPDATE calibration SET wall_s = wall_s - 40 * 86400")
    db.close()
    again = livesense("record", path, "--port", sent(OFF), "--json").json
    assert "zero of iu, iv, iw: taken 40 days before (30 at most)" in again["calibration"]["warnings"][0]
    stale = livesense("measure", "last", "--json").json
    assert "40 days" in stale["calibration_warnings"][0]
    assert fresh["calibration_warnings"] == []
    old, new = (facts["channels"]["iu"]["mean"] for facts in (stale, fresh))
    assert old["value"] == pytest.approx(new["value"], abs=1e-9)
    # 5 mV at the input over 5 mΩ is a limit of 1 A.
    assert old["u"] == pytest.approx(1 / 3**0.5, rel=0.01)
    assert new["u"] < 0.01
    assert "40 days" in livesense("show", "last", "--json").json["calibration"]["stale"][0]


def test_a_clock_that_was_set_back_is_told(bench: Any, sent: Any, livesense: Command, tmp_path: Path) -> None:
    path = bench()
    livesense("zero", path, "--port", sent(OFF), "--json")
    with sqlite3.connect(tmp_path / "livesense.db") as db:
        db.execute("UPDATE calibration SET wall_s = wall_s + 86400")
    db.close()
    told = livesense("record", path, "--port", sent(OFF), "--json").json["calibration"]
    assert told["used"] == []
    assert "set the clock" in told["warnings"][0]


WARM = """
[[channel]]
name = "t_sink"
sensor = "linear"
unit = "°C"
scale = "100 °C/V"
zero = "0.5 V"
"""


def at(celsius: float) -> float:
    return (0.5 + celsius / 100) / 3.3 * 4096


def test_a_zero_from_another_temperature_is_stale(bench: Any, sent: Any, livesense: Command) -> None:
    path = bench(limited(more=WARM))
    cold = livesense("zero", path, "--port", sent(OFF | {"t_sink": at(25.0)}), "--json")
    assert cold.json["temperatures"]["t_sink"] == pytest.approx(25, abs=0.1)
    for celsius, stale in ((33.0, False), (37.0, True), (12.0, True)):
        livesense("record", path, "--port", sent(OFF | {"t_sink": at(celsius)}), "--json")
        told = livesense("show", "last", "--json").json["calibration"]["stale"]
        assert bool(told) is stale
        u = livesense("measure", "last", "--json").json["channels"]["iu"]["mean"]["u"]
        assert (u > 0.5) is stale
    assert "taken at 25 °C (t_sink), 13 K from this run (10 at most)" in told[0]

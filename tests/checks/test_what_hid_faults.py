"""Circumstances in which a fault hid: zeros that creep, damage without a check, buses of other groups."""

from __future__ import annotations

import numpy as np
import pytest
from pump_check import BENCH, NAMES, RATE_HZ, VBUS, U, V, W, alarms, checked, pump

from livesense import bench as bench_file
from livesense.check_run import check_bytes
from livesense.checks.looks import folded_share
from livesense.checks.pieces import Piece, bridged, without_damage
from livesense.link.address import parse_address
from livesense.probe import Heard
from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import description_packet, encode_frame, frames
from livesense.wording import in_percent

TEXT = BENCH.replace('wire = "framed"', 'wire = "text"') + f'\n[[group]]\nrate = "{RATE_HZ} Hz"\n'


def text_report(lines: list[str]) -> object:
    data = ("\n".join([f"n,{','.join(NAMES)}", *lines]) + "\n").encode()
    return check_bytes(
        bench_file.parse(TEXT, "t.toml"), Heard(data, None, None, True), parse_address("file:t")
    )


def lines_of(codes: np.ndarray) -> list[str]:
    return [f"{n},{','.join(map(str, row))}" for n, row in enumerate(codes.tolist())]


@pytest.mark.parametrize(("state", "codes"), [("rest", 60.0), ("rest", -40.0), ("rated", 60.0)])
def test_a_zero_that_creeps_is_drift_and_nothing_else(state: str, codes: float) -> None:
    read = pump()[state].astype(float)
    read[:, V] += np.linspace(-codes / 2, codes / 2, len(read))
    assert alarms(checked(np.rint(read))) == {("drift", "iv")}


def with_line(order: float, *, mirrored: bool) -> np.ndarray:
    """Codes at rated load with a tenth of the fundamental at an order, alone or on both its sides."""
    read = pump()["rated"].astype(float)
    hz = 245.0
    t = np.arange(len(read)) / RATE_HZ
    size = 0.1 * np.std(read[:, U]) * np.sqrt(2)
    for column, phase in zip((U, V, W), range(3), strict=True):
        turn = 2 * np.pi * phase / 3
        read[:, column] += size * np.cos(2 * np.pi * hz * order * t - turn)
        if mirrored:
            read[:, column] += size * np.cos(2 * np.pi * hz * (2 - order) * t - turn)
    return np.rint(read)


def test_a_line_below_the_fundamental_is_no_harmonic_either() -> None:
    assert alarms(checked(with_line(0.6, mirrored=False))) == {("aliasing", None)}


def test_a_load_that_pulsates_is_no_alias() -> None:
    assert alarms(checked(with_line(0.6, mirrored=True))) == set()


def test_digits_that_turned_into_others_are_damage_of_the_line() -> None:
    lines = lines_of(pump()["rated"][:12_000])
    random = np.random.default_rng(3)
    for k in random.choice(len(lines), 150, replace=False):
        at = int(random.integers(len(lines[k]) // 2, len(lines[k])))
        lines[k] = lines[k][:at] + str(random.integers(10)) + lines[k][at:] if k % 2 else lines[k][:at] + "?"
    report = text_report(lines)
    assert alarms(report) == {("link", None)}  # type: ignore[arg-type]


def test_a_stuck_bit_shows_though_scans_are_lost() -> None:
    read = pump()["rated"][:12_000].astype(int)
    read[:, W] |= 1 << 5
    lines = [line for k, line in enumerate(lines_of(read)) if k % 50 != 7]
    assert ("stuck", "iw") in alarms(text_report(lines))  # type: ignore[arg-type]


class TestDamage:
    def piece(self) -> Piece:
        wave = np.rint(2048 + 900 * np.sin(np.arange(2000) * 0.05)).astype(np.uint16)
        (made,) = bridged([(0, np.stack([wave, wave], axis=1))])
        return made

    def test_single_scans_that_jump_are_left_out(self) -> None:
        sound = self.piece()
        spoilt = sound.codes.copy()
        spoilt[[100, 700], [0, 1]] = [9, 4000]
        mended = without_damage(Piece(0, spoilt, sound.came))
        assert np.flatnonzero(~mended.came).tolist() == [100, 700]
        assert np.abs(mended.codes.astype(int) - sound.codes).max() <= 2

    def test_steps_and_many_jumps_are_what_the_channel_shows(self) -> None:
        sound = self.piece()
        stepped = sound.codes.copy()
        stepped[1000:] += 700
        assert without_damage(Piece(0, stepped, sound.came)).came.all()
        many = sound.codes.copy()
        many[::10] = 0
        assert without_damage(Piece(0, many, sound.came)).came.all()


def test_a_bus_of_another_group_is_held_against_the_phases() -> None:
    codes = pump()["rated"]
    slow = codes[::100, [VBUS]]
    groups = [
        GroupInfo(RATE_HZ, CodeType.U16, 12, NAMES[:3]),
        GroupInfo(RATE_HZ / 100, CodeType.U16, 12, ("vbus",)),
    ]
    head = encode_frame(description_packet(groups, device="pump-bench"))
    fast = frames(0, 0, np.ascontiguousarray(codes[:, :3], dtype=np.uint16), 20, CodeType.U16)
    other = frames(1, 0, np.ascontiguousarray(slow, dtype=np.uint16), 10, CodeType.U16)
    before, mark, after = BENCH.partition('[[channel]]\nname = "ibus"')
    assert mark and "[[channel]]" not in after
    for volts, expected in (("24 V", set()), ("48 V", {("scale", "vbus")})):
        text = before.replace('bus_voltage = "24 V"', f'bus_voltage = "{volts}"')
        heard = Heard(head + fast + other, None, None, True)
        report = check_bytes(bench_file.parse(text, "p.toml"), heard, parse_address("file:p.bin"))
        assert alarms(report) == expected


@pytest.mark.parametrize(
    ("cycles", "share"), [(5, np.hypot(1 / 5, 1 / 25)), (7, 1 / 7), (6.0, None), (200, None)]
)
def test_harmonics_that_fold_to_direct_current_are_reckoned_with(cycles: float, share: float | None) -> None:
    """Harmonic h stands in the mean where h cycles are a whole number of scans: the fifth at five a cycle."""
    found = folded_share(1000.0 / cycles, 1000.0, 2000)
    assert found == (pytest.approx(share, rel=0.01) if share else pytest.approx(0.0, abs=0.01))
    t = np.arange(2000) * (1000.0 / cycles) / 1000.0
    six_step = sum(np.cos(2 * np.pi * h * t + 0.3 * h) / h for h in (1, 5, 7, 11, 13))
    rms = 1 / np.sqrt(2)
    assert abs(six_step.mean()) <= 3 * found * rms + 0.01


def test_a_six_step_current_at_five_scans_a_cycle_has_no_wrong_zeros() -> None:
    n, rate_hz = 6000, 1000.0
    codes = np.full((n, 3), 2048.0)
    random = np.random.default_rng(4)
    for k in range(3):
        turn = 2 * np.pi * (np.arange(n) * 200.0 / rate_hz - k / 3) + 0.4
        signs = {1: 1, 5: -1, 7: 1, 11: -1, 13: 1}
        codes[:, k] += 500 * sum(sign / h * np.cos(h * turn) for h, sign in signs.items())
    codes = np.rint(codes + random.normal(0, 1, codes.shape))
    head, _, _ = BENCH.partition('[[channel]]\nname = "vbus"')
    group = GroupInfo(rate_hz, CodeType.U16, 12, NAMES[:3])
    data = encode_frame(description_packet([group], device="x"))
    data += frames(0, 0, np.ascontiguousarray(codes, dtype=np.uint16), 20, CodeType.U16)
    heard = Heard(data, None, None, True)
    report = check_bytes(bench_file.parse(head, "p.toml"), heard, parse_address("file:p"))
    assert alarms(report) == {("aliasing", None)}


def test_a_divider_at_its_end_is_told_about_its_ratio() -> None:
    codes = pump()["rated"]
    codes[:, VBUS] = 4095
    report = checked(codes)
    told = next(f for f in report.findings if f.kind == "clipped")
    assert (told.channel, "in 100 % of the scans" in told.text) == ("vbus", True)
    assert told.fix.startswith("Fit a divider of a larger ratio")
    assert "keep the voltage below 36.3 V" in told.fix


@pytest.mark.parametrize(("percent", "text"), [(0.4213, "0.42 %"), (9.96, "10 %"), (100.0, "100 %")])
def test_shares_in_words(percent: float, text: str) -> None:
    assert in_percent(percent) == text

"""The parts of a check by themselves: least squares, edits, windows, likely parts."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import scipy.linalg
from pump_check import BENCH, NAMES, alarms, checked, pump

from livesense import bench as bench_file
from livesense.checks.editing import edited
from livesense.checks.evidence import robust_noise
from livesense.checks.findings import Edit
from livesense.checks.kirchhoff import BALANCE, Prior, gls, self_check, sequence_of
from livesense.checks.pieces import BRIDGED_SCANS, MOST_WINDOWS, bridged, longest_bridge, windows
from livesense.samples import Estimate

TURN = np.exp(-2j * np.pi / 3 * np.arange(3))


def prior(balance: float = BALANCE, noise: float = 1e-4) -> Prior:
    return Prior((0, 1, 2), np.full(3, 0.006), np.full(3, 0.002), np.full(3, noise), balance)


def shown(phasors: np.ndarray, balance: float = BALANCE) -> dict[str, object]:
    means = [Estimate(0.01 * k, 0.001, 0.01) for k in (1, 2, 3)]
    made = self_check(phasors, means, np.zeros((10, 3)), [0.001] * 3, prior(balance), "A")
    return made.as_json()


class TestSelfCheck:
    def test_gains_come_back_against_their_mean(self) -> None:
        gains = np.array([0.02, -0.01, 0.005])
        found = shown(10 * TURN * (1 + gains))["gain_percent"]
        for phase, true in zip("UVW", 100 * (gains - gains.mean()), strict=True):
            assert found[phase]["value"] == pytest.approx(true, abs=0.05)
            assert 0 < found[phase]["u"] < 2

    def test_angles_come_back_against_their_mean(self) -> None:
        angles = np.radians([1.0, 0.0, -0.4])
        found = shown(10 * TURN * np.exp(1j * angles))["angle_deg"]
        for phase, true in zip("UVW", np.degrees(angles - angles.mean()), strict=True):
            assert found[phase]["value"] == pytest.approx(true, abs=0.05)

    @pytest.mark.parametrize("direction", [1, -1])
    def test_a_common_factor_and_a_common_time_are_not_seen(self, direction: int) -> None:
        turn = TURN if direction > 0 else TURN.conj()
        found = shown(7.3 * turn * np.exp(0.4j))
        for part in ("gain_percent", "angle_deg"):
            assert all(abs(e["value"]) < 1e-4 for e in found[part].values())
        assert sequence_of(7.3 * turn, (0, 1, 2)) == direction

    def test_without_balance_gains_and_angles_cannot_be_told_apart(self) -> None:
        known, free = shown(10 * TURN), shown(10 * TURN, 0.3)
        assert free["gain_percent"]["U"]["u"] > 5 * known["gain_percent"]["U"]["u"]
        assert not any("triangle" in text for text in known["unobservable"])
        assert any("triangle" in text for text in free["unobservable"])

    def test_real_unbalance_stays_within_the_uncertainty(self) -> None:
        random = np.random.default_rng(3)
        beyond = 0
        for _ in range(200):
            n = BALANCE * (random.normal() + 1j * random.normal())
            found = shown(10 * (TURN + n * TURN.conj()))["gain_percent"]
            beyond += any(abs(e["value"]) > 2 * e["u"] for e in found.values())
        assert beyond <= 40

    def test_offsets_add(self) -> None:
        offset = shown(10 * TURN)["offset_sum"]
        assert offset["value"] == pytest.approx(0.06)
        assert offset["u"] == pytest.approx(math.sqrt(3 * (0.001**2 + 0.01**2)))

    def test_what_is_fast_gives_gains_of_its_own(self) -> None:
        random = np.random.default_rng(5)
        current = random.normal(size=(20_000, 3))
        current -= current.mean(axis=1, keepdims=True)
        gains = np.array([0.03, 0.0, -0.02])
        fast = current * (1 + gains) + random.normal(0, 0.01, (20_000, 3))
        means = [Estimate(0.0)] * 3
        made = self_check(10 * TURN, means, fast, [0.01] * 3, prior(), "A").as_json()
        for phase, true in zip("UVW", 100 * (gains - gains.mean()), strict=True):
            found = made["fast_gain_percent"][phase]
            assert found["value"] == pytest.approx(true, abs=0.1)
        assert made["fast_sum_ratio"] < 0.1

    def test_noise_alone_gives_none(self) -> None:
        fast = np.random.default_rng(5).normal(size=(20_000, 3))
        made = self_check(10 * TURN, [Estimate(0.0)] * 3, fast, [1.0] * 3, prior(), "A").as_json()
        assert made["fast_gain_percent"] is None
        assert made["fast_sum_ratio"] == pytest.approx(1.0, abs=0.03)


def test_least_squares_against_scipy() -> None:
    random = np.random.default_rng(2)
    design = random.normal(size=(6, 3))
    root = random.normal(size=(6, 6))
    cov = root @ root.T + np.eye(6)
    y = random.normal(size=6)
    mine = gls(y, design, cov)
    white = scipy.linalg.inv(scipy.linalg.sqrtm(cov))
    values, square, *_ = scipy.linalg.lstsq(white @ design, white @ y)
    assert mine.values == pytest.approx(values)
    assert mine.chi2 == pytest.approx(square)
    assert mine.u**2 == pytest.approx(np.diag(scipy.linalg.inv(design.T @ scipy.linalg.inv(cov) @ design)))


@pytest.mark.slow
def test_chains_within_their_tolerances_raise_nothing() -> None:
    """1 % shunts and 0.3 % gains drawn over their whole limits, at two loads."""
    random = np.random.default_rng(11)
    for state in ("light", "rated"):
        for _ in range(60):
            codes = pump()[state].astype(float)
            # The chain itself has errors of up to 0.45 of the limits already.
            scale = 1 + random.uniform(-0.55, 0.55, 3) * 0.01 + random.uniform(-0.55, 0.55, 3) * 0.003
            codes[:, :3] = np.rint(2048 + (codes[:, :3] - 2048) * scale)
            assert alarms(checked(codes[:10_000])) == set()


def any_column(random: np.random.Generator, n: int) -> np.ndarray:
    t = np.arange(n)
    kinds = (
        np.full(n, random.integers(0, 4096)),
        random.integers(0, 4096, n),
        2048 + random.normal(0, 1, n),
        2048 + 1500 * np.sin(t * random.uniform(0, 3) + random.integers(5)),
        np.where(t % 2, 0, 4095),
        2048 + 5000 * np.sin(0.01 * t + random.integers(5)),
        np.cumsum(random.normal(0, 5, n)) % 4096,
    )
    return np.clip(kinds[random.integers(len(kinds))], 0, 4095)


@pytest.mark.parametrize("draw", range(5))
def test_whatever_comes_there_is_a_report(draw: int) -> None:
    random = np.random.default_rng(draw)
    benches = (BENCH, BENCH.replace('"mid-supply"', '"ground"'), BENCH.replace('sequence = "UVW"', ""))
    for _ in range(10):
        n = int(random.choice([1, 5, 17, 64, 300, 3000]))
        codes = np.column_stack([any_column(random, n) for _ in NAMES])
        json.dumps(checked(codes, benches[random.integers(3)]).as_json(), allow_nan=False)


class TestEdits:
    def test_a_value_is_replaced_and_its_comment_kept(self) -> None:
        text = '[[channel]]\nname = "iu"\ngain = 20 # as "ordered"\n[[channel]]\nname = "iv"\ngain = 20\n'
        made = edited(text, [Edit("channel", "gain", 50, "iu")])
        assert made == text.replace('gain = 20 # as "ordered"', 'gain = 50  # as "ordered"', 1)

    def test_a_key_is_added_at_the_end_of_its_table(self) -> None:
        text = '[[channel]]\nname = "iu"\ngain = 20\n\n# next\n[[channel]]\nname = "iv"\n'
        made = edited(text, [Edit("channel", "delay", "5 us", "iv"), Edit("channel", "delay", "2 us", "iu")])
        assert '"iv"\ndelay = "5 us"' in made
        assert bench_lines(made, "iu") == ['name = "iu"', "gain = 20", "", "# next", 'delay = "2 us"']

    def test_a_comment_sign_within_a_text_is_no_comment(self) -> None:
        text = '[[channel]]\nname = "iu"\nboard = "no # 3"\n'
        assert edited(text, [Edit("channel", "board", "4", "iu")]).endswith('board = "4"\n')

    def test_line_ends_of_windows_stay(self) -> None:
        text = '[adc]\r\nbits = 10\r\nreference = "3.3 V"\r\n'
        made = edited(text, [Edit("adc", "bits", 12), Edit("adc", "signed", True)])
        assert made == '[adc]\r\nbits = 12\r\nreference = "3.3 V"\r\nsigned = true\r\n'

    def test_the_second_group(self) -> None:
        text = '[[group]]\nrate = "1 Hz"\n[[group]]\nrate = "2 Hz"\n'
        made = edited(text, [Edit("group", "rate", "3 Hz", number=1)])
        assert made == '[[group]]\nrate = "1 Hz"\n[[group]]\nrate = "3 Hz"\n'

    @pytest.mark.parametrize(
        "text",
        [
            "channel = [{name = 'iu'}]\n",
            '[[channel]]\nname = "iv"\n',
            '[[channel]]\nname = "iu"\ngain = [\n1\n]\n',
        ],
    )
    def test_what_cannot_be_found_is_said(self, text: str) -> None:
        with pytest.raises(ValueError, match="by hand"):
            edited(text, [Edit("channel", "gain", 1, "iu")])

    def test_every_channel_of_the_pump_can_be_edited(self) -> None:
        for name in NAMES:
            made = edited(BENCH, [Edit("channel", "board", "A 3", name)])
            boards = {c.name: c.board for c in bench_file.parse(made, "x.toml").channels}
            assert [n for n, board in boards.items() if board] == [name]


def bench_lines(text: str, name: str) -> list[str]:
    tables = text.split("[[channel]]\n")
    return next(t.rstrip("\n").split("\n") for t in tables if f'"{name}"' in t)


class TestWindows:
    def test_a_long_run_is_looked_at_all_over(self) -> None:
        found = windows([(0, 20_000 * 3600)], 20_000.0)
        assert len(found) == MOST_WINDOWS
        assert found[0][0] == 0
        assert found[-1][1] == 20_000 * 3600

    def test_a_short_run_is_looked_at_whole(self) -> None:
        found = windows([(5, 70_000), (70_500, 90_000)], 20_000.0)
        assert [b - a for a, b in found] == [34_997, 34_998, 19_500] or sum(b - a for a, b in found) == 89_495
        assert all(b > a for a, b in found)

    def test_scraps_are_left_out_where_there_is_better(self) -> None:
        assert windows([(0, 100), (200, 40_200)], 20_000.0) == [(200, 40_200)]
        assert windows([(0, 100)], 20_000.0) == [(0, 100)]

    def test_short_gaps_are_bridged_by_straight_lines(self) -> None:
        first, second = np.tile([[10, 0]], (100, 1)), np.tile([[40, 0]], (100, 1))
        (made,) = bridged([(7, first), (109, second)])
        assert made.first == 7
        assert made.codes[99:103].tolist() == [[10, 0], [20, 0], [30, 0], [40, 0]]
        assert np.flatnonzero(~made.came).tolist() == [100, 101]

    def test_long_gaps_are_not(self) -> None:
        part = np.zeros((1000, 1), dtype=np.int64)
        assert len(bridged([(0, part), (1000 + BRIDGED_SCANS, part)])) == 1
        assert len(bridged([(0, part), (1001 + BRIDGED_SCANS, part)])) == 2

    def test_gaps_are_short_against_the_cycle(self) -> None:
        for hz, most in ((12.0, 166), (40.0, 50), (400.0, BRIDGED_SCANS)):
            codes = np.rint(2048 + 500 * np.cos(2 * np.pi * hz * np.arange(20_000) / 20_000.0))[:, None]
            assert longest_bridge([codes], 20_000.0) == pytest.approx(most, abs=1)
        quiet = np.full((20_000, 1), 2048.0)
        assert longest_bridge([quiet, np.zeros((4, 1))], 20_000.0) == BRIDGED_SCANS

    def test_short_windows_are_taken_where_there_is_little_else(self) -> None:
        found = windows([(k * 3000, k * 3000 + 2500) for k in range(20)] + [(70_000, 74_100)], 20_000.0)
        assert len(found) == 21

    def test_many_short_gaps_are_not(self) -> None:
        part = np.zeros((10, 1), dtype=np.int64)
        assert len(bridged([(15 * k, part) for k in range(100)])) > 50


def test_noise_of_a_sine_with_edges_is_that_of_its_noise() -> None:
    random = np.random.default_rng(1)
    n = np.arange(20_000)
    values = 500 * np.sin(n / 40) + 300 * np.sign(np.sin(n / 40)) + random.normal(0, 2, n.size)
    assert robust_noise(values) == pytest.approx(2, rel=0.05)

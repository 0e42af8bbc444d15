"""Plain figures, near-zero uncertainties, distortion, speed, power and the live helpers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.basic import batch_u, over_stretch, plain_figures, sample_noise, trapezoid
from livesense.measures.channel_figures import ChannelInput
from livesense.measures.folding import folded_amplitude
from livesense.measures.group import measure_group
from livesense.measures.harmonics import thd_percent
from livesense.measures.live import line_frequency, rising_crossing
from livesense.measures.near_zero import u_of_magnitude, u_of_root
from livesense.measures.power import to_neutral, u_product
from livesense.measures.speed import rpm
from livesense.samples import Estimate

RATE_HZ = 20_000.0


class TestPlain:
    def test_the_definitions(self):
        plain = plain_figures(np.array([1.0, -3.0, 2.0, 4.0]))
        assert plain.mean == 1.0
        assert plain.rms == pytest.approx(math.sqrt(7.5))
        assert plain.ac_rms == pytest.approx(math.sqrt(6.5))
        assert (plain.low, plain.high, plain.peak_to_peak, plain.peak) == (-3.0, 4.0, 7.0, 4.0)
        assert plain.crest_factor == pytest.approx(4 / math.sqrt(7.5))

    def test_all_zero(self):
        plain = plain_figures(np.zeros(100))
        assert (plain.rms, plain.u_rms, plain.u_ac_rms, plain.u_mean) == (0, 0, 0, 0)
        assert math.isnan(plain.crest_factor)

    def test_one_value(self):
        plain = plain_figures(np.array([2.5]))
        assert (plain.mean, plain.rms, plain.u_mean, plain.noise) == (2.5, 2.5, 0.0, 0.0)

    @pytest.mark.parametrize("values", [np.zeros(0), np.zeros((3, 2))])
    def test_other_shapes_are_refused(self, values):
        with pytest.raises(ValueError, match="with at least one value"):
            plain_figures(values)

    def test_the_mean_of_white_noise_is_known_to_sigma_over_root_n(self):
        rng = np.random.default_rng(1)
        stated = [batch_u(rng.normal(size=3200)) for _ in range(50)]
        assert np.mean(stated) == pytest.approx(1 / math.sqrt(3200), rel=0.1)

    def test_slow_noise_counts_more_than_its_number_of_values(self):
        rng = np.random.default_rng(2)
        slow = np.repeat(rng.normal(size=400), 100)
        assert batch_u(slow) == pytest.approx(1 / math.sqrt(400), rel=0.4)

    def test_few_values_have_no_batches(self):
        assert batch_u(np.array([1.0, 3.0])) == pytest.approx(1.0)

    def test_noise_of_a_sample_leaves_the_signal_out(self):
        t = np.arange(20_000) / RATE_HZ
        noise = np.random.default_rng(3).normal(0, 0.05, t.size)
        assert sample_noise(8 * np.sin(2 * np.pi * 100 * t) + noise) == pytest.approx(0.05, rel=0.05)


class TestNearZero:
    def test_far_from_zero_it_is_the_usual_propagation(self):
        assert u_of_root(9.0, 0.06) == pytest.approx(0.06 / (2 * 3.0), rel=0.01)
        assert u_of_magnitude(3.0, 0.01) == pytest.approx(0.01, rel=0.01)

    def test_at_zero_it_is_no_longer_zero(self):
        assert u_of_root(0.0, 0.02) == pytest.approx(0.5 * math.sqrt(0.04))
        assert u_of_root(-0.01, 0.02) == u_of_root(0.0, 0.02)

    @pytest.mark.parametrize("true", [0.0, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0])
    def test_the_length_of_a_noisy_phasor_is_covered_wherever_it_lies(self, true):
        rng = np.random.default_rng(4)
        seen = np.abs(true + rng.normal(size=4000) + 1j * rng.normal(size=4000))
        held = [abs(s - true) <= 2 * u_of_magnitude(s, 1.0) for s in seen]
        assert np.mean(held) > 0.945


class TestDistortion:
    def test_a_clean_wave(self):
        thd = thd_percent(np.array([10.0, 0.0, 3.0, 4.0]), np.zeros(4))
        assert (thd.value, thd.u, thd.unit) == (pytest.approx(50.0), 0.0, "%")

    def test_noise_alone_reads_about_nothing_and_is_covered(self):
        rng = np.random.default_rng(5)
        held = []
        for _ in range(400):
            amplitude = np.hypot(rng.normal(size=13), rng.normal(size=13))
            amplitude[0] = 1000.0
            thd = thd_percent(amplitude, np.ones(13))
            held.append(thd.value <= 2 * thd.u)
        assert np.mean(held) > 0.95

    def test_drift_widens_it(self):
        amplitude, u = np.array([10.0, 1.0]), np.array([0.01, 0.01])
        assert thd_percent(amplitude, u, np.array([0.0, 0.05])).u > 4 * thd_percent(amplitude, u).u

    def test_no_fundamental(self):
        with pytest.raises(ValueError, match="fundamental above 0"):
            thd_percent(np.array([0.0, 1.0]), np.zeros(2))


class TestFolding:
    def test_currents_with_edges_fold_where_cycles_hold_whole_scans(self):
        h = np.arange(1, 14)
        edges = np.where(h % 2 == 1, 10.0 / h, 0.0)[None, :]
        onto = folded_amplitude(edges, np.zeros((1, 13)), 40.0, 100.0)
        assert onto[0] == pytest.approx(10 / 40 * math.sqrt(sum(1 / m**2 for m in range(1, 6))))
        assert folded_amplitude(edges, np.zeros((1, 13)), 40.45, 100.0)[0] < 0.02 * onto[0]

    def test_noise_folds_nothing(self):
        rng = np.random.default_rng(6)
        assert folded_amplitude(np.abs(rng.normal(size=(1, 13))), np.ones((1, 13)), 40.0, 100.0)[0] == 0

    def test_a_fundamental_alone_tells_nothing(self):
        assert folded_amplitude(np.ones((2, 1)), np.zeros((2, 1)), 3.0, 100.0).tolist() == [0.0, 0.0]


class TestIntegrals:
    def test_the_rule_runs_from_first_to_last(self):
        assert trapezoid(np.array([0.0, 1.0, 4.0]), 2.0) == pytest.approx(1.5)

    def test_a_half_open_stretch_lasts_one_period_longer(self):
        assert over_stretch(np.full(2000, 3.0), 1000.0) == pytest.approx(6.0)


def test_rpm_carries_both_uncertainties():
    speed = rpm(Estimate(-100.0, 0.01, 0.02, "Hz"), 5)
    assert (speed.value, speed.unit) == (1200.0, "rpm")
    assert (speed.u_random, speed.u_systematic) == (pytest.approx(0.12), pytest.approx(0.24))
    with pytest.raises(ValueError, match="pole_pairs"):
        rpm(Estimate(1.0), 0)


def test_product_of_means():
    assert u_product(48.0, 24.0, 2.0, (0.01, 0.0), (0.0, 0.0)) == pytest.approx(0.48)
    assert u_product(48.0, 24.0, 2.0, (0.0, 0.0), (0.3, 0.1)) == pytest.approx(math.hypot(0.6, 2.4))


def test_an_error_that_both_factors_share_counts_twice():
    # JCGM 100:2008, 5.2.2: fully correlated parts add before squaring; the power of (1 + e)² is 2 e off.
    shared = u_product(48.0, 24.0, 2.0, (0.01, 0.01), (0.0, 0.0), (0.01, 0.01))
    assert shared == pytest.approx(0.96)
    mixed = u_product(1.0, 1.0, 1.0, (0.05, 0.13), (0.0, 0.0), (0.03, 0.05))
    assert mixed == pytest.approx(math.hypot(0.04, 0.12, 0.08))


def test_the_star_point_takes_the_common_part_out():
    rng = np.random.default_rng(7)
    u, v, w, common = rng.normal(size=(4, 50))
    plain, shifted = to_neutral(u, v, w), to_neutral(u + common, v + common, w + common)
    assert np.sum(plain, axis=0) == pytest.approx(np.zeros(50), abs=1e-12)
    assert np.array(shifted) == pytest.approx(np.array(plain))


class TestLive:
    def wave(self, frequency, seconds=0.3, shift=0.4):
        t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        return 1.5 + 8 * np.sin(2 * np.pi * frequency * (t - shift / frequency))

    @pytest.mark.parametrize("frequency", [7.3, 20.0, 83.37, 411.7, 3000.0])
    def test_frequency(self, frequency):
        rng = np.random.default_rng(8)
        y = self.wave(frequency) + rng.normal(0, 0.1, 6000)
        assert line_frequency(y, RATE_HZ) == pytest.approx(frequency, rel=1e-3)
        assert line_frequency(np.stack([y, -y], axis=1), RATE_HZ) == pytest.approx(frequency, rel=1e-3)

    @pytest.mark.parametrize("values", [np.zeros(6000), np.zeros(3)])
    def test_no_frequency(self, values):
        assert line_frequency(values, RATE_HZ) is None
        assert line_frequency(np.random.default_rng(9).normal(size=6000), RATE_HZ) is None

    def test_a_start_that_runs_away_is_no_frequency(self):
        t = np.arange(4000) / 4000
        assert line_frequency(np.exp(-9 * t) * np.sin(2 * np.pi * (0.5 * t + 3 * t**2)), RATE_HZ) is None

    def test_crossing(self):
        y = self.wave(50.0)
        assert rising_crossing(y, RATE_HZ, 50.0) == pytest.approx(0.4 / 50, abs=1e-9)
        later = rising_crossing(y, RATE_HZ, 50.0, not_before_s=0.25)
        assert later == pytest.approx(0.268, abs=1e-9)
        assert rising_crossing(y, RATE_HZ, 50.0, not_before_s=later) == pytest.approx(later)

    def test_harmonics_do_not_move_it(self):
        t = np.arange(6000) / RATE_HZ
        y = np.sin(2 * np.pi * 50 * t - 1) + 0.3 * np.sin(2 * np.pi * 250 * t)
        assert rising_crossing(y, RATE_HZ, 50.0) == pytest.approx(1 / (2 * np.pi * 50), abs=1e-6)

    def test_no_crossing(self):
        assert rising_crossing(np.zeros(6000), RATE_HZ, 50.0) is None
        assert rising_crossing(np.full(6000, 3.0), RATE_HZ, 50.0) is None


def test_extremes_of_a_wave_with_few_scans_a_cycle() -> None:
    """Four scans a cycle: neighbours differ by the wave, which is no noise."""
    t = np.arange(4000) / 1000.0
    noise = np.random.default_rng(5).normal(0, 0.01, t.size)
    values = 3.0 * np.cos(2 * np.pi * 245.0 * t) + noise
    found = measure_group({"iu": ChannelInput(values=values, phase="U")}, 1000.0).channels["iu"]
    assert found.max is not None and found.peak_to_peak is not None
    assert found.max.value == pytest.approx(3.0, abs=0.05)
    assert 0.01 < found.max.u < 0.04
    assert found.peak_to_peak.u < 0.08

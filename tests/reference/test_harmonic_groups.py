"""Groups and subgroups of IEC 61000-4-7 (from memory), and the six-step signature."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.iec_groups import MOST_WINDOWS, grouped, groups, window_cycles, window_scans
from livesense.measures.shape import shape_of
from livesense.measures.sine_fit import fit_sine

RATE_HZ = 20_000.0


def test_the_worked_example():
    # 10 cycles of 50 Hz, 5 Hz a bin: 45 = .1, 47 = .05, 49 = .03, 50 = .2, 51 = .04, 55 = .1 around order 5
    # of a 10 Hz line: bins 45 … 55. Subgroup .2061553, group .2345208 (computed from the definition).
    bins = np.zeros(66)
    bins[[45, 47, 49, 50, 51, 55]] = [0.1, 0.05, 0.03, 0.2, 0.04, 0.1]
    each, sub = groups(bins, 10, 6)
    assert sub[4] == pytest.approx(0.2061553, rel=1e-6)
    assert each[4] == pytest.approx(0.2345208, rel=1e-6)
    # The borders go half to each neighbour.
    assert each[3] == pytest.approx(0.1 / math.sqrt(2))
    assert each[5] == pytest.approx(0.1 / math.sqrt(2))
    assert np.sum(each**2) == pytest.approx(np.sum(bins**2))


def test_too_few_bins():
    with pytest.raises(ValueError, match="expected more than 65, got 65"):
        groups(np.zeros(65), 10, 6)


def test_ten_or_twelve_cycles():
    # 200 ms at 50 and at 60 Hz.
    assert [window_cycles(f) for f in (49.9, 60.0, 400.0)] == [10, 12, 10]


def wave(n=40_000, frequency=50.0, fifth=0.2, between=0.05, between_hz=263.0, noise=0.0):
    t = np.arange(n) / RATE_HZ
    y = np.cos(2 * np.pi * frequency * t) + fifth * np.cos(2 * np.pi * 5 * frequency * t + 1)
    y += between * np.cos(2 * np.pi * between_hz * t)
    return 10 * y + np.random.default_rng(2).normal(0, noise, n)


def test_an_interharmonic_is_in_the_group_and_not_in_the_subgroup():
    fit = fit_sine(wave(), RATE_HZ)
    found = grouped(fit, 0, RATE_HZ)
    assert (found.orders, found.windows, found.cycles) == (40, 10, 10)
    rms = 10 / math.sqrt(2)
    # 263 Hz lies 2.6 bins from 250 Hz: its leakage (a rectangular window) puts little into the subgroup.
    assert found.group_rms[4] == pytest.approx(rms * math.hypot(0.2, 0.05), rel=0.01)
    assert found.subgroup_rms[4] == pytest.approx(rms * 0.2, rel=0.02)
    assert found.thd_group_percent.value == pytest.approx(100 * math.hypot(0.2, 0.05), rel=0.01)
    assert found.thd_subgroup_percent.value < found.thd_group_percent.value
    corrected = grouped(fit, 0, RATE_HZ, np.full(13, 2.0))
    assert corrected.group_rms == pytest.approx(2 * found.group_rms, rel=1e-9)


def test_asynchronous_scans_do_not_leak():
    # 61.3 Hz: 12 cycles are 3915.17 scans, no whole number; a pure line has no harmonics for all that.
    fit = fit_sine(wave(frequency=61.3, fifth=0.0, between=0.0), RATE_HZ)
    assert grouped(fit, 0, RATE_HZ).thd_group_percent.value < 1e-6


def test_one_window_tells_its_uncertainty_by_the_noise():
    fit = fit_sine(wave(n=4500, between=0.0, noise=0.1), RATE_HZ)
    found = grouped(fit, 0, RATE_HZ)
    assert found.windows == 1
    assert 0 < found.thd_group_percent.u_random < 1


def test_long_stretches_are_looked_at_here_and_there():
    fit = fit_sine(wave(n=700_000, between=0.0), RATE_HZ)
    assert grouped(fit, 0, RATE_HZ).windows == MOST_WINDOWS


def test_no_window_and_no_harmonic():
    assert grouped(fit_sine(wave(n=3000), RATE_HZ), 0, RATE_HZ) is None
    fast = fit_sine(np.cos(2 * np.pi * 0.31 * np.arange(5000)), 1.0)
    assert grouped(fast, 0, 1.0) is None


def six_step(n=40_000, frequency=50.7):
    on = np.mod(frequency * np.arange(n) / RATE_HZ, 0.5)
    up = np.where(np.mod(frequency * np.arange(n) / RATE_HZ, 1) < 0.5, 1.0, -1.0)
    return np.where((on > 1 / 12) & (on < 5 / 12), 1.0, 0.0) * up


def test_a_six_step_current():
    # To order 40: 29.6794 % (Fourier series, closed form).
    figures = measure_group({"i": ChannelInput(six_step())}, RATE_HZ).channels["i"]
    assert figures.shape == "120° six-step"
    assert figures.thd_subgroup_percent.value == pytest.approx(29.6794, rel=0.02)
    assert figures.thd_group_order == 40
    told = figures.harmonics
    assert told["order"][4] == 5
    assert told["rms"][4] / told["rms"][0] == pytest.approx(0.2, rel=0.01)
    assert told["phase_deg"][3] is None, "there is no fourth to have an angle"


def test_other_shapes():
    def shape(values):
        return measure_group({"i": ChannelInput(values)}, RATE_HZ).channels["i"].shape

    assert shape(wave(fifth=0.01, between=0.0)) == "sine"
    assert shape(np.sign(wave(frequency=50.7, fifth=0.0, between=0.0))) is None
    assert shape(wave(between=0.0)) is None
    assert shape_of(np.array([1.0, 0.0, 0.0]), 1.2) is None
    assert shape_of(np.zeros(9), 1.2) is None
    # Spikes on top are no steps.
    steps = np.array([1, 0, 0, 0, 0.2, 0, 1 / 7])
    assert (shape_of(steps, 1.3), shape_of(steps, 2.0)) == ("120° six-step", None)


def test_a_changing_speed_has_no_groups():
    t = np.arange(8000) / RATE_HZ
    turn = 2 * np.pi * (60 * t + 100 * t**2)
    made = {f"i{p}": ChannelInput(6 * np.cos(turn - 2 * np.pi / 3 * k), phase=p) for k, p in enumerate("UVW")}
    figures = measure_group(made, RATE_HZ).channels["iU"]
    assert figures.thd_group_percent is None
    assert figures.withheld["thd_group_percent"] == "the speed changes within the window"
    assert figures.harmonics["rms"][0] == pytest.approx(6 / math.sqrt(2), rel=1e-3)


@pytest.mark.parametrize(
    ("exact", "scans"),
    [(7479.43, 7480), (1000.2, 1000), (1999.6, 2000), (149.7, 150), (100_000.0, 100_000)],
)
def test_a_window_has_a_number_of_scans_that_is_quick_to_transform(exact, scans):
    # 7479 = 27 · 277. IEC 61000-4-7 leaves 0.03 % to the synchronisation (from memory).
    assert window_scans(exact) == scans
    assert abs(scans / exact - 1) <= max(3e-4, 0.5 / exact)

"""Harmonic subgroups, distortion and unbalance against a general power-quality library.

``pqopen-lib`` (MIT, on PyPI), where both define the same. Its resampler interpolates linearly, which bends
what it looks at: it is fed windows of whole cycles and 2^k scans, which it leaves as they are.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from livesense.measures.iec_groups import groups
from livesense.measures.sine_fit import fit_sine
from livesense.measures.three_phase import PhasePhasor, three_phase

powerquality = pytest.importorskip("pqopen.powerquality")

N = 8192


def wave() -> np.ndarray:
    turn = 2 * np.pi * 10 * np.arange(N) / N
    y = 10 * np.cos(turn) + 2 * np.cos(5 * turn + 1) + 1.4 * np.cos(7 * turn) + 0.3 * np.cos(13 * turn)
    return np.asarray(y + 0.4 * np.cos(5.1 * turn) + np.random.default_rng(1).normal(0, 0.1, N))


def test_subgroups_and_distortion_of_one_window() -> None:
    spectrum = powerquality.resample_and_fft(wave())
    theirs, phases = powerquality.calc_harmonics(spectrum, 10, 40)
    _, ours = groups(np.abs(np.fft.rfft(wave())) * math.sqrt(2) / N, 10, 40)
    assert ours == pytest.approx(theirs[1:41], rel=1e-9)
    thd = 100 * float(np.linalg.norm(ours[1:]) / ours[0])
    assert thd == pytest.approx(powerquality.calc_thd(theirs, 40), rel=1e-9)
    # Fitted angles are those of their spectrum where the line is strong.
    fit = fit_sine(wave(), 5.0 * N, frequency_hz=50.0)
    assert fit is not None
    for h in (1, 7):
        assert math.degrees(fit.phase_rad[0, h - 1]) == pytest.approx(phases[h], abs=0.3)


def test_unbalance() -> None:
    phasors = [10 + 0j, 9 * cmath.exp(-2j), 11.5 * cmath.exp(2.2j)]
    zero, negative = powerquality.calc_unbalance(phasors)
    ours = three_phase({p: PhasePhasor(z) for p, z in zip("UVW", phasors, strict=True)})
    assert ours.unbalance_percent is not None
    assert ours.zero_rms is not None
    assert ours.positive_rms is not None
    assert ours.unbalance_percent.value == pytest.approx(negative, rel=1e-12)
    assert 100 * ours.zero_rms.value / ours.positive_rms.value == pytest.approx(zero, rel=1e-12)

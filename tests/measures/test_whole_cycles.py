"""Rows of a trend end after whole electrical cycles, near 200 ms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.whole_cycles import cut_row, fundamentals

STEP_S = 2e-4


def turning(hz: float, seconds: float = 2.0, amplitude: float = 5.0) -> np.ndarray:
    return amplitude * np.exp(2j * np.pi * hz * np.arange(round(seconds / STEP_S)) * STEP_S)


@pytest.mark.parametrize(
    ("hz", "cycles"), [(50.0, 10), (60.0, 12), (-83.3, 17), (400.0, 80), (7.0, 1), (2.0, 1), (1.1, 1)]
)
def test_so_many_whole_cycles_as_come_nearest_to_200_ms(hz: float, cycles: int) -> None:
    cut = cut_row(turning(hz), STEP_S, 0.1, last=False)
    assert cut is not None
    assert cut.cycles == cycles
    assert cut.steps * STEP_S == pytest.approx(cycles / abs(hz), rel=1e-9)


def test_what_does_not_turn_or_too_slowly_is_cut_at_200_ms() -> None:
    for vector in (turning(50, amplitude=0.05), np.full(6000, 5 + 0j), turning(0.5)):
        cut = cut_row(vector, STEP_S, 0.1, last=False)
        assert cut is not None
        assert (cut.steps, cut.cycles) == (1000, 0)


def test_a_current_that_stops_turning_within_the_row_is_cut_at_200_ms() -> None:
    vector = np.concatenate((turning(12, 0.19), np.full(6000, 5 * np.exp(2j * np.pi * 12 * 0.19))))
    cut = cut_row(vector, STEP_S, 0.1, last=False)
    # Two cycles would end at 0.167 s: more than two and less than three had been turned by then.
    assert cut is not None
    assert cut.cycles == 2
    stopped = np.concatenate((turning(8.5, 0.19), np.full(6000, 5 * np.exp(2j * np.pi * 8.5 * 0.19))))
    assert cut_row(stopped, STEP_S, 0.1, last=False) is not None
    nearly = np.concatenate((turning(13.0, 0.2), np.full(6000, 5 * np.exp(2j * np.pi * 13 * 0.2))))
    cut = cut_row(nearly, STEP_S, 0.1, last=False)
    assert cut is not None
    assert (cut.steps, cut.cycles) == (1000, 0)


def test_too_few_scans_wait_for_more_unless_they_are_the_last() -> None:
    for seconds, hz in ((0.15, 50), (0.5, 1.5), (0.21, 13.0)):
        vector = turning(hz, seconds)
        assert cut_row(vector, STEP_S, 0.1, last=False) is None
        assert cut_row(vector, STEP_S, 0.1, last=True) is not None
    cut = cut_row(turning(50, 0.155), STEP_S, 0.1, last=True)
    assert cut is not None
    assert cut.cycles == 7
    assert cut.steps * STEP_S == pytest.approx(7 / 50)
    cut = cut_row(turning(50, 0.015), STEP_S, 0.1, last=True)
    assert cut is not None
    assert (cut.steps, cut.cycles) == (75, 0)


def test_fundamentals_of_whole_cycles_are_exact() -> None:
    t = np.arange(2000) / 10000
    wave = np.stack((3 + 7 * np.cos(2 * np.pi * 50 * t + 0.4), 2 * np.sin(2 * np.pi * 250 * t)), axis=1)
    line = fundamentals(wave, 10)
    assert line[0] == pytest.approx(7 / math.sqrt(2) * np.exp(0.4j), rel=1e-12)
    assert abs(line[1]) < 1e-12
    assert not fundamentals(wave, 0).any()

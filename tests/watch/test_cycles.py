"""Where a current is cut into cycles, on cases that one can check by eye."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.watch.cycles import CycleCutter, loudest
from livesense.watch.excess import Peak


def cut(values, *, longest=100, clipped=(), first=1000, reference=1.0):
    cutter = CycleCutter(reference, longest)
    marks = np.zeros(len(values), dtype=bool)
    marks[list(clipped)] = True
    return cutter, cutter.feed(first, np.array(values, dtype=float), marks)


def rows(cycles):
    return [
        (int(start), int(count), bool(whole))
        for start, count, whole in zip(cycles.start, cycles.count, cycles.whole, strict=True)
    ]


def test_a_cycle_goes_from_one_rise_through_zero_to_the_next():
    wave = [1, 0, -1, 0] * 4
    cutter, cycles = cut(wave)
    assert rows(cycles) == [(1000, 4, False), (1004, 4, True), (1008, 4, True)]
    assert cycles.mean_square == pytest.approx([0.5] * 3, rel=1e-9)
    part = cutter.flush(1016)
    assert rows(part) == [(1012, 4, False)]
    assert part.mean_square == pytest.approx([0.5], rel=1e-9)
    assert part.peak(0, 1) == Peak(1.0, 1012, False)


def test_ripple_below_half_the_reference_is_no_cycle():
    # Through zero and back by 0.5: exactly half the reference is not beyond it.
    _, cycles = cut([1, 1, 0.5, -0.5, 0.5, -0.5, -1, -1, -0.5, 0.5, -0.5, 1, 1])
    assert rows(cycles) == [(1000, 11, False)]


def test_direct_current_is_cut_after_the_longest_cycle():
    cutter, cycles = cut([2.0] * 10, longest=4)
    assert rows(cycles) == [(1000, 4, True), (1004, 4, True)]
    assert rows(cutter.flush(1010)) == [(1008, 2, False)]


def test_a_step_counts_from_its_first_scan():
    _, cycles = cut([0.0] * 6 + [2.0] * 9, longest=4)
    assert rows(cycles) == [(1000, 4, True), (1004, 2, True), (1006, 4, True), (1010, 4, True)]
    assert cycles.mean_square == pytest.approx([0, 0, 4, 4])


def test_a_step_after_a_pause_too_short_is_in_the_middle_of_a_cycle():
    _, cycles = cut([2.0] * 2 + [0.0] * 3 + [2.0] * 6, longest=4)
    assert rows(cycles) == [(1000, 4, True), (1004, 4, True)]
    _, cycles = cut([2.0] * 2 + [0.0] * 4 + [2.0] * 6, longest=4)
    assert rows(cycles) == [(1000, 4, True), (1004, 2, True), (1006, 4, True)]


def test_a_rise_where_a_cycle_is_cut_anyway_cuts_once():
    _, cycles = cut([-2.0] * 4 + [2.0] * 4, longest=4)
    assert rows(cycles) == [(1000, 4, True), (1004, 4, True)]
    cutter, _ = cut([-2.0] * 4, longest=4)
    assert rows(cutter.feed(1004, np.full(4, 2.0), np.zeros(4, dtype=bool))) == [(1004, 4, True)]


def test_after_a_flush_all_starts_anew():
    cutter, _ = cut([0, 0, -1])
    cutter.flush(1003)
    assert cutter.flush(1003) is None
    cycles = cutter.feed(1010, np.array([1.0, -1.0, 1.0]), np.zeros(3, dtype=bool))
    assert rows(cycles) == [(1010, 2, False)], "the rise over the gap is none"


def test_which_cycle_holds_a_clipped_scan():
    _, cycles = cut([1, -1] * 4, clipped=[3])
    assert cycles.clipped.tolist() == [False, True, False]
    cutter, _ = cut([1, -1], clipped=[0])
    cycles = cutter.feed(1002, np.array([1.0, -1, 1, -1]), np.zeros(4, dtype=bool))
    assert cycles.clipped.tolist() == [True, False]
    assert cutter.flush(1006).clipped.tolist() == [False]


def test_the_largest_magnitude_of_a_cycle_over_blocks():
    cutter, _ = cut([1, 0, -3, 0])
    cycles = cutter.feed(1004, np.array([2.0, -1, 0, 1]), np.zeros(4, dtype=bool))
    assert cycles.peak(0, 1) == Peak(-3.0, 1002, False)
    assert cycles.peak(1, 2) == Peak(2.0, 1004, False)


def test_what_is_no_number_counts_as_no_current():
    _, cycles = cut([2.0, math.nan, 2.0, math.nan] * 2, longest=4)
    assert cycles.mean_square == pytest.approx([2.0, 2.0])


def test_what_is_beyond_all_measure_is_still_beyond():
    _, cycles = cut([1e200, -math.inf, 1.0, 1.0], longest=4)
    assert cycles.mean_square[0] > 1e4


def test_loudest_of_a_slice():
    values = np.array([math.nan, 1.0, -2.0, math.nan])
    marks = np.array([False, False, False, True])
    assert loudest(10, 0, 4, values, marks) == Peak(-2.0, 12, True)
    assert loudest(10, 1, 1, values, marks) == Peak()
    assert loudest(10, 3, 4, values, marks) == Peak(clipped=True)
    assert loudest(10, 1, 3, values, marks) == Peak(-2.0, 12, False)

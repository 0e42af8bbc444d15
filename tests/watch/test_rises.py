"""Rises are the same whether they are found one by one or many together, whatever the blocks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.samples import FloatArray
from livesense.watch.rises import TOGETHER, RiseFinder

LEVEL, LONGEST = 0.5, 400


def in_pieces(current: FloatArray, size: int, first: int = 0) -> tuple[list[tuple[int, bool]], RiseFinder]:
    finder = RiseFinder(LEVEL, LONGEST)
    found: list[tuple[int, bool]] = []
    for at in range(0, current.size, size):
        found += finder.find(first + at, current[at : at + size])
    return found, finder


@st.composite
def currents(draw: st.DrawFn) -> FloatArray:
    """Stretches of several lengths, amplitudes, periods and noises: most alike, some with a surprise."""
    random = np.random.default_rng(draw(st.integers(0, 1 << 32)))
    parts = []
    for _ in range(draw(st.integers(1, 4))):
        count = draw(st.integers(1, 40)) * draw(st.sampled_from([7, 20, 50]))
        period = draw(st.floats(4.0, 150.0))
        sweep = draw(st.sampled_from([0.0, 0.0, 0.3, 3.0]))
        turns = (1 + sweep * np.arange(count) / count).cumsum() / period
        size = draw(st.sampled_from([0.1, 0.6, 1.0, 5.0, 100.0]))
        growth = draw(st.sampled_from([0.0, 0.0, -0.99, 2.0]))
        noise = draw(st.sampled_from([0.0, 0.05, 0.3, 1.0]))
        part = size * (1 + growth * np.arange(count) / count) * np.sin(2 * np.pi * turns)
        part += noise * min(size, 5.0) * random.standard_normal(count) + draw(st.sampled_from([0.0, 0.4]))
        if draw(st.booleans()):
            part[random.integers(count)] = draw(
                st.sampled_from([np.nan, np.inf, -np.inf, 300.0, -300.0, 0.0])
            )
        parts.append(part)
    return np.concatenate(parts)


@settings(max_examples=100, deadline=None)
@given(current=currents(), size=st.sampled_from([1, 37, 1000]), first=st.sampled_from([0, 12345]))
def test_together_is_as_one_by_one(current, size, first):
    # Pieces of one scan are never long enough to be looked at together.
    slow, slow_finder = in_pieces(current, 1, first)
    fast, fast_finder = in_pieces(current, current.size if size == 1 else size, first)
    assert fast == slow
    assert vars(fast_finder) == vars(slow_finder)


def test_cycles_alike_are_taken_together(monkeypatch):
    taken: list[int] = []
    one_by_one = RiseFinder._rise
    monkeypatch.setattr(RiseFinder, "_rise", lambda self, scan: (taken.append(scan), one_by_one(self, scan)))
    found, _ = in_pieces(np.sin(2 * np.pi * np.arange(20_000) / 100), 20_000)
    # The sine passes half its peak at a twelfth of the cycle: 8.3 scans.
    assert [rise for rise, _ in found] == [100 * k + 9 for k in range(1, 200)]
    assert len(taken) < 200 / TOGETHER


@pytest.mark.parametrize(
    "behind",
    [
        pytest.param(np.full(4000, 1.0), id="stays above"),
        pytest.param(np.full(4000, -1.0), id="stays below"),
        pytest.param(np.zeros(4000), id="nothing"),
        pytest.param(np.full(4000, np.nan), id="not a number"),
        pytest.param(np.sin(2 * np.pi * np.arange(4000) / 310), id="slower"),
        pytest.param(1000 * np.sin(2 * np.pi * np.arange(4000) / 100), id="larger by far"),
        pytest.param(0.25 * np.sin(2 * np.pi * np.arange(4000) / 100), id="smaller"),
    ],
)
@pytest.mark.parametrize("before", [100, 130, 1000, 4000])
def test_what_comes_behind_cycles_alike(behind, before):
    current = np.concatenate([4 * np.sin(2 * np.pi * np.arange(before) / 100), behind])
    slow, slow_finder = in_pieces(current, 1)
    fast, fast_finder = in_pieces(current, current.size)
    assert fast == slow
    assert len(slow) >= before // 100 - 1
    assert vars(fast_finder) == vars(slow_finder)

"""Aggregation over time as IEC 61000-4-30 asks (from memory): root-mean-square of the windows' values."""

from __future__ import annotations

import numpy as np
import pytest

from livesense.bench import parse
from livesense.chain import Chain
from livesense.samples import CodeType, GroupInfo
from livesense.trend_rows import joined
from livesense.trending import TrendBuilder

RATE_HZ = 5000.0


def test_three_windows_of_100_and_twelve_of_90() -> None:
    # 15 windows of 10 cycles of 50 Hz are 3 s. Their root-mean-square is 92.086915 (computed from the
    # definition); a plain mean of rms values would say 92.0.
    names = ("iu", "iv", "iw")
    channel = '[[channel]]\nname = "i{0}"\nphase = "{1}"\nsensor = "direct"\nunit = "A"\n'
    bench = parse("".join(channel.format(p.lower(), p) for p in "UVW"))
    group = GroupInfo(RATE_HZ, CodeType.F32, None, names)
    rms = np.repeat([100.0] * 3 + [90.0] * 13, 1000)[:, None]
    turn = 2 * np.pi * 50 * np.arange(16_000)[:, None] / RATE_HZ
    values = np.sqrt(2) * rms * np.cos(turn - 2 * np.pi / 3 * np.arange(3))
    builder = TrendBuilder(Chain(bench, [group]), 0, 3, RATE_HZ)
    found = builder.feed(0, values) + builder.close()
    each = joined([rows for level, rows in found if level == 0])
    three_s = joined([rows for level, rows in found if level == 1])
    assert three_s.scans[0] == pytest.approx(15_000, abs=2)
    # The windows themselves, but for cycles in which the current changes.
    own = np.sqrt(each.square[:, 0, 0] + each.mean[:, 0] ** 2)
    assert own[0] == pytest.approx(100.0, rel=1e-4)
    assert own[10] == pytest.approx(90.0, rel=1e-4)
    whole = np.sqrt(three_s.square[0, 0, 0] + three_s.mean[0, 0] ** 2)
    assert whole == pytest.approx(92.086915, rel=1e-5)

"""Figure 6: what measuring six channels at 100 kS/s takes of a core, second by second."""

from __future__ import annotations

import numpy as np
from plain_device import CHANNEL, bench_text
from table import Report, best_cpu_s

from livesense.bench import parse
from livesense.chain import Chain
from livesense.figures import channel_input, shared_by_phases
from livesense.measures.group import measure_group
from livesense.samples import CodeType, GroupInfo
from livesense.trending import TrendBuilder

RATE_HZ = 100_000
NAMES = ("iu", "iv", "iw", "iu2", "iv2", "iw2")


def wave(seconds: float) -> np.ndarray:
    time_s = np.arange(int(seconds * RATE_HZ))[:, None] / RATE_HZ
    angle = 2 * np.pi * 133.7 * time_s - 2 * np.pi / 3 * np.arange(6)
    noise = np.random.default_rng(1).normal(0, 1.5, (len(time_s), 6))
    return np.rint(2048 + 700 * np.sin(angle) + noise).astype("<u2")


def measure(report: Report) -> None:
    """Add figure 6: all figures of each second, and the trend that a recorder keeps."""
    phases = {"iu": "U", "iv": "V", "iw": "W"}
    more = "".join(CHANNEL.format(name=name, phase="none") for name in NAMES if name not in phases)
    bench = parse(bench_text(more=more))
    chain = Chain(bench, [GroupInfo(float(RATE_HZ), CodeType.U16, 12, NAMES)])
    codes = wave(1.0)

    def figures() -> None:
        channels = chain.group_channels(0)
        common = shared_by_phases(channels)
        inputs = {c.name: channel_input(chain, c, codes, None, common) for c in channels}
        found = measure_group(inputs, float(RATE_HZ))
        assert found.speed.electrical_hz is not None

    spent = best_cpu_s(figures, 5)
    report.add(
        6,
        "all figures of 6 x 100 kS/s, every second",
        100 * spent,
        "% of a core",
        target="≤ 10 %",
        met=spent <= 0.1,
    )
    blocks = np.array_split(wave(5.0), 250)

    def trend() -> None:
        builder = TrendBuilder(chain, 0, len(NAMES), float(RATE_HZ))
        at = 0
        for block in blocks:
            builder.feed(at, block)
            at += len(block)
        builder.close()

    report.add(
        6, "the trend of 200 ms of the same, kept while recording", 20 * best_cpu_s(trend, 3), "% of a core"
    )


if __name__ == "__main__":
    measure(Report())

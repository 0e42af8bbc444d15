"""Random currents, gaps between them, and rules small enough to trip within them."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from livesense.bench import Watch

RATE_HZ = 1000.0
BASE = Watch(
    kind="inverse-time",
    quantity="cycle-rms",
    channels=("iu",),
    limit=1.0,
    unit="A",
    hold_s=0.0,
    release=0.95,
    release_hold_s=0.05,
    pre_s=0.0,
    post_s=0.0,
    longest_cycle_s=0.005,
)

LEVEL = st.sampled_from(
    [0.0, 0.3, -0.3, 0.6, -0.6, 0.9, -0.97, 0.95, 0.97, 1.0, -1.0, 1.3, -1.3, 2.0, -2.0, 5.0]
)
STRETCH = st.lists(st.tuples(LEVEL, st.integers(1, 7), st.booleans()), min_size=1, max_size=14).map(
    lambda runs: [(value, clipped) for value, count, clipped in runs for _ in range(count)]
)
LOUD = st.lists(
    st.tuples(st.sampled_from([1.2, 1.5, 2.0, 3.0]), st.integers(1, 30), st.booleans()),
    min_size=1,
    max_size=5,
).map(lambda runs: [(value, clipped) for value, count, clipped in runs for _ in range(count)])
ALTERNATING = st.tuples(
    st.sampled_from([1.2, 1.5, 2.0, 4.0]), st.sampled_from([4, 5, 7, 12]), st.integers(3, 60)
).map(lambda a: [(a[0] * np.sin(2 * np.pi * (n + 0.3) / a[1]), False) for n in range(a[2])])
STRETCHES = st.lists(
    st.tuples(st.integers(1, 9), st.one_of(STRETCH, LOUD, ALTERNATING)), min_size=1, max_size=5
)


def laid_out(stretches):
    """Give each stretch its first scan; the number before it is lost."""
    first, out = 0, []
    for lost, scans in stretches:
        first += lost
        out.append((first, [float(s[0]) for s in scans], [s[1] for s in scans]))
        first += len(scans)
    return out


def arrays(first, values, clipped):
    return first, np.array(values)[:, None], np.array(clipped, dtype=bool)[:, None]

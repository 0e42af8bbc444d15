"""A wall clock that is set is not time that went by, where the other clock can tell."""

from __future__ import annotations

import numpy as np
import pytest

from livesense.samples import Arrival, CodeType, GroupInfo, Packets, Restart, SegmentStart
from livesense.timebase import Timebase

GROUP = GroupInfo(1000.0, CodeType.U16, 12, ("iu",))


def packets(first: int) -> Packets:
    return Packets(
        np.zeros(1, np.int64), np.array([first]), np.array([100]), {0: np.zeros((100, 1), np.uint16)}
    )


@pytest.mark.parametrize(("counts_sleep", "begins_s"), [(True, 10.0), (False, 1e6)])
def test_wall_clock_set_forward(counts_sleep: bool, begins_s: float) -> None:
    timebase = Timebase([GROUP])
    timebase.packets(packets(500), Arrival(100.0, 0.0, counts_sleep))
    timebase.packets(packets(600), Arrival(100.1, 0.1, counts_sleep))
    # The clock is set, the device restarts.
    timebase.packets(packets(0), Arrival(110.0, 1e6, counts_sleep))
    events = timebase.packets(packets(100), Arrival(110.1, 1e6 + 0.1, counts_sleep))
    assert sum(isinstance(event, Restart) for event in events) == 1
    (segment,) = (event for event in events if isinstance(event, SegmentStart))
    assert segment.start_s == pytest.approx(begins_s, abs=0.5)


def test_loss_is_held_against_the_clock_that_counts_sleep() -> None:
    timebase = Timebase([GROUP])
    timebase.packets(packets(0), Arrival(100.0, 0.0, True))
    # So many scans cannot have been made in ten seconds, whatever the wall clock says.
    events = timebase.packets(packets(50_000), Arrival(110.0, 1e6, True))
    assert any(isinstance(event, Restart) for event in events)

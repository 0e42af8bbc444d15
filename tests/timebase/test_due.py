"""What a group's next packet is expected to be, for whoever looks at packets one by one."""

from __future__ import annotations

import numpy as np

from livesense.samples import CodeType, GroupInfo, Packets
from livesense.timebase import Timebase


def packet(first: int, count: int = 5) -> Packets:
    return Packets(
        np.array([0]), np.array([first]), np.array([count]), {0: np.zeros((count, 2), dtype=np.uint16)}
    )


def test_nothing_is_due_before_the_first_packet_or_while_one_is_held() -> None:
    timebase = Timebase([GroupInfo(1000.0, CodeType.U16, 12, ("iu", "iv"))])
    assert (timebase.due(0), timebase.holds(0)) == (None, False)
    timebase.packets(packet(10), None)
    assert (timebase.due(0), timebase.holds(0)) == (15, False)
    timebase.packets(packet(5), None)
    assert (timebase.due(0), timebase.holds(0)) == (None, True)
    timebase.packets(packet(15), None)
    assert (timebase.due(0), timebase.holds(0)) == (20, False)


def test_the_count_wraps() -> None:
    timebase = Timebase([GroupInfo(1000.0, CodeType.U16, 12, ("iu", "iv"))], counter_bits=8)
    timebase.packets(packet(251), None)
    assert timebase.due(0) == 0

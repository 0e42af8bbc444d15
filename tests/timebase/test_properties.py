"""Whatever comes: nothing is lost without a gap, and looking together equals looking one by one."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livesense.samples import CodeType, Gap, GroupInfo, LinkFault, Restart, ScanBlock
from livesense.timebase import Timebase

GROUPS = (
    GroupInfo(1000.0, CodeType.U16, 12, ("a",)),
    GroupInfo(100.0, CodeType.U16, 12, ("b",), burst=4),
    GroupInfo(None, CodeType.U16, 12, ("c",)),
)

steps = st.one_of(
    st.just(0),
    st.just(0),
    st.just(0),
    st.integers(-12, 12),
    st.sampled_from([-(2**31), 2**31, 9_000_000, -5000]),
)


@st.composite
def wires(draw: st.DrawFn) -> list[list[tuple[int, int, int]]]:
    """Reads of packets (group, first, count) that mostly follow on."""
    due = [draw(st.sampled_from([0, 100, 2**32 - 3])) for _ in GROUPS]
    reads = []
    for _ in range(draw(st.integers(1, 4))):
        read = []
        for _ in range(draw(st.integers(1, 14))):
            group = draw(st.integers(0, 2))
            count = draw(st.integers(1, 4))
            first = (due[group] + draw(steps)) % 2**32
            due[group] = (first + count) % 2**32
            read.append((group, first, count))
        reads.append(read)
    return reads


def run(make: Any, reads: list[list[tuple[int, int, int]]], few: int) -> tuple[list[Any], Timebase]:
    before, Timebase.few = Timebase.few, few
    try:
        base = Timebase(GROUPS)
        events: list[Any] = []
        for read in reads:
            events += base.packets(make(*read), None)
        events += base.finish()
    finally:
        Timebase.few = before
    return events, base


def comparable(events: list[Any]) -> list[Any]:
    """Events of each group in order; blocks scan by scan."""
    by_group: dict[Any, list[Any]] = {}
    for event in events:
        if isinstance(event, ScanBlock):
            rows = enumerate(event.codes[:, 0].tolist())
            by_group.setdefault(event.group, []).extend((event.first + k, code) for k, code in rows)
        elif isinstance(event, LinkFault):
            by_group["repeated"] = [sum(by_group.get("repeated", [])) + event.count]
        else:
            by_group.setdefault(event.group, []).append(event)
            if isinstance(event, Restart):
                by_group.setdefault("restarts", []).append(event)
    return sorted(by_group.items(), key=str)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wires())
def test_together_equals_one_by_one(packets: Any, reads: list[list[tuple[int, int, int]]]) -> None:
    together, one = run(packets, reads, 0)
    apart, other = run(packets, reads, 10**9)
    assert comparable(together) == comparable(apart)
    for group in range(len(GROUPS)):
        assert one.next_index(group) == other.next_index(group)
        assert one.segments(group) == other.segments(group)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wires(), st.integers(0, 10))
def test_every_scan_is_stored_dropped_or_in_a_gap(
    packets: Any, reads: list[list[tuple[int, int, int]]], few: int
) -> None:
    events, base = run(packets, reads, few)
    dropped = sum(event.count for event in events if isinstance(event, LinkFault))
    sent = [packet for read in reads for packet in read]
    stored_packets = 0
    for group in range(len(GROUPS)):
        due = 0
        stored = 0
        for event in events:
            if isinstance(event, ScanBlock) and event.group == group:
                assert event.first == due
                due += len(event.codes)
                stored += len(event.codes)
                stored_packets += int(np.count_nonzero(event.codes[:, 0] % 1000 == 0))
            elif isinstance(event, Gap) and event.group == group:
                assert event.first == due
                assert event.count is not None
                assert event.count > 0
                due += event.count
        assert base.next_index(group) == due
        assert stored <= sum(count for number, _, count in sent if number == group)
    assert stored_packets + dropped == len(sent)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.integers(0, 2**32 - 1),
    st.lists(st.tuples(st.integers(1, 5), st.booleans()), min_size=2, max_size=40),
)
def test_a_counter_with_holes_gives_exactly_the_holes(
    packets: Any, origin: int, chunks: list[tuple[int, bool]]
) -> None:
    sent, holes, index = [], [], 0
    counter = origin
    for place, (count, lost) in enumerate(chunks):
        if lost and 0 < place < len(chunks) - 1 and sent:
            holes += range(index, index + count)
        else:
            sent.append((0, counter, count))
        if sent:
            index += count
        counter = (counter + count) % 2**32
    events, _ = run(packets, [sent], 0)
    found = [
        scan
        for event in events
        if isinstance(event, Gap) and event.count
        for scan in range(event.first, event.first + event.count)
    ]
    assert found == holes
    assert not [event for event in events if isinstance(event, Restart | LinkFault)]

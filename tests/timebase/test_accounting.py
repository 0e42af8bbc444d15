"""The accounting of scans, rule by rule. Every scan is stored or inside a gap."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from livesense.samples import (
    CodeType,
    Description,
    FaultKind,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    Restart,
    SegmentStart,
)
from livesense.timebase import Timebase

HOUR = 3_600_000
"""Scans at 1 kHz."""


def repeated(count: int = 1) -> LinkFault:
    return LinkFault(FaultKind.REPEATED, count)


def wire(group: int, first: int, count: int) -> Gap:
    return Gap(group, first, count, GapCause.WIRE)


def start(group: int = 0, first: int = 0, start_s: float = 0.0, rate_hz: float = 1000.0) -> SegmentStart:
    return SegmentStart(group, first, start_s, rate_hz)


# One group, from a file, joined at any counter: what came, and what must come of it.
STORIES: dict[str, tuple[list[tuple[int, int, int]], list[Any]]] = {
    "follows on": ([(0, 500, 2), (0, 502, 1)], [start(), (0, 0, [0, 1, 1000])]),
    "lost": (
        [(0, 500, 2), (0, 505, 1)],
        [start(), (0, 0, [0, 1]), wire(0, 2, 3), (0, 5, [1000])],
    ),
    "an hour lost": (
        [(0, 0, 1), (0, 1 + HOUR, 1)],
        [start(), (0, 0, [0]), wire(0, 1, HOUR), (0, 1 + HOUR, [1000])],
    ),
    "more than an hour": (
        [(0, 0, 1), (0, 2 + HOUR, 1)],
        [
            start(),
            (0, 0, [0]),
            Restart(0, 1, 0, 2 + HOUR),
            start(0, 1, 0.001),
            (0, 1, [1000]),
        ],
    ),
    "wrap": (
        [(0, 2**32 - 1, 2), (0, 1, 1), (0, 2, 1)],
        [start(), (0, 0, [0, 1, 1000, 2000])],
    ),
    "lost across the wrap": (
        [(0, 2**32 - 2, 1), (0, 3, 1)],
        [start(), (0, 0, [0]), wire(0, 1, 4), (0, 5, [1000])],
    ),
    "repeated": (
        [(0, 10, 2), (0, 10, 2), (0, 12, 1)],
        [start(), (0, 0, [0, 1, 2000]), repeated()],
    ),
    "repeated at the end": (
        [(0, 10, 2), (0, 10, 2)],
        [start(), (0, 0, [0, 1]), repeated()],
    ),
    "overlap": (
        [(0, 10, 4), (0, 12, 4), (0, 14, 1)],
        [start(), (0, 0, [0, 1, 2, 3, 2000]), repeated()],
    ),
    "overlap, then beyond it": (
        [(0, 10, 4), (0, 12, 4), (0, 16, 1)],
        [start(), (0, 0, [0, 1, 2, 3]), wire(0, 4, 2), (0, 6, [2000]), repeated()],
    ),
    "late": (
        [(0, 10, 2), (0, 14, 2), (0, 12, 2), (0, 16, 2)],
        [start(), (0, 0, [0, 1]), wire(0, 2, 2), (0, 4, [1000, 1001, 3000, 3001]), repeated()],
    ),
    "late, then a loss": (
        [(0, 10, 2), (0, 14, 2), (0, 12, 2), (0, 18, 1)],
        [
            start(),
            (0, 0, [0, 1]),
            wire(0, 2, 2),
            (0, 4, [1000, 1001]),
            wire(0, 6, 2),
            (0, 8, [3000]),
            repeated(),
        ],
    ),
    "two late that do not follow each other": (
        [(0, 10, 10), (0, 11, 1), (0, 15, 1), (0, 20, 1)],
        [start(), (0, 0, [*range(10), 3000]), repeated(2)],
    ),
    "three late, the last two follow each other": (
        [(0, 10, 10), (0, 15, 1), (0, 11, 1), (0, 12, 1), (0, 13, 1)],
        [
            start(),
            (0, 0, [*range(10)]),
            Restart(0, 10, 19, 11),
            start(0, 10, 0.01),
            (0, 10, [2000, 3000, 4000]),
            repeated(),
        ],
    ),
    "restart": (
        [(0, 5000, 2), (0, 0, 2), (0, 2, 2), (0, 4, 1)],
        [
            start(),
            (0, 0, [0, 1]),
            Restart(0, 2, 5001, 0),
            start(0, 2, 0.002),
            (0, 2, [1000, 1001, 2000, 2001, 3000]),
        ],
    ),
    "restart that lost its first scans": (
        [(0, 5000, 2), (0, 7, 2), (0, 9, 2)],
        [
            start(),
            (0, 0, [0, 1]),
            Restart(0, 2, 5001, 7),
            start(0, 2, 0.002),
            (0, 2, [1000, 1001, 2000, 2001]),
        ],
    ),
    "restart, a packet lost after its first": (
        [(0, 5000, 2), (0, 0, 2), (0, 4, 2), (0, 6, 2)],
        [
            start(),
            (0, 0, [0, 1]),
            Restart(0, 2, 5001, 4),
            start(0, 2, 0.002),
            (0, 2, [2000, 2001, 3000, 3001]),
            repeated(),
        ],
    ),
    "restart from beyond half the counter": (
        [(0, 2**31 + 10, 2), (0, 0, 2), (0, 2, 2)],
        [
            start(),
            (0, 0, [0, 1]),
            Restart(0, 2, 2**31 + 11, 0),
            start(0, 2, 0.002),
            (0, 2, [1000, 1001, 2000, 2001]),
        ],
    ),
    "restart just below the wrap looks like loss": (
        [(0, 2**32 - 10, 2), (0, 0, 2)],
        [start(), (0, 0, [0, 1]), wire(0, 2, 8), (0, 10, [1000, 1001])],
    ),
    "exactly half the counter ahead lies behind": (
        [(0, 0, 1), (0, 1 + 2**31, 1), (0, 1, 1)],
        [start(), (0, 0, [0, 2000]), repeated()],
    ),
    "held, then a jump that cannot be": (
        [(0, 500, 2), (0, 100, 1), (0, 503 + HOUR, 1)],
        [
            start(),
            (0, 0, [0, 1]),
            Restart(0, 2, 501, 503 + HOUR),
            start(0, 2, 0.002),
            (0, 2, [2000]),
            repeated(),
        ],
    ),
    "restart twice": (
        [(0, 50, 1), (0, 0, 1), (0, 1, 1), (0, 0, 1), (0, 1, 1)],
        [
            start(),
            (0, 0, [0]),
            Restart(0, 1, 50, 0),
            start(0, 1, 0.001),
            (0, 1, [1000, 2000]),
            Restart(0, 3, 1, 0),
            start(0, 3, 0.003),
            (0, 3, [3000, 4000]),
        ],
    ),
}


@pytest.mark.parametrize("few", [0, 1000], ids=["together", "one by one"])
@pytest.mark.parametrize(("sent", "expected"), STORIES.values(), ids=STORIES)
def test_what_the_counter_tells(
    packets: Any,
    told: Any,
    fast: GroupInfo,
    monkeypatch: pytest.MonkeyPatch,
    few: int,
    sent: list[Any],
    expected: list[Any],
) -> None:
    monkeypatch.setattr(Timebase, "few", few)
    base = Timebase([fast])
    events = told(base.packets(packets(*sent), None)) + told(base.finish())
    assert events == expected


@pytest.mark.parametrize(("sent", "expected"), STORIES.values(), ids=STORIES)
def test_reads_make_no_difference(
    packets: Any, told: Any, fast: GroupInfo, sent: list[Any], expected: list[Any]
) -> None:
    base = Timebase([fast])
    events: list[Any] = []
    codes: list[tuple[int, int]] = []
    for number, packet in enumerate(sent):
        events += told(base.packets(packets(packet), None))
        codes.append((number, packet[2]))
    events += told(base.finish())
    assert [event for event in events if isinstance(event, Gap | Restart | SegmentStart)] == [
        event for event in expected if isinstance(event, Gap | Restart | SegmentStart)
    ]
    assert sum(len(event[2]) for event in events if isinstance(event, tuple)) == sum(
        len(event[2]) for event in expected if isinstance(event, tuple)
    )


# Two groups


@pytest.mark.parametrize("few", [0, 1000], ids=["together", "one by one"])
def test_one_restart_for_all_groups(
    packets: Any, told: Any, fast: GroupInfo, slow: GroupInfo, monkeypatch: pytest.MonkeyPatch, few: int
) -> None:
    monkeypatch.setattr(Timebase, "few", few)
    base = Timebase([fast, slow])
    sent = [
        (0, 5000, 2), (1, 60, 1), (0, 5002, 2), (1, 61, 1),
        (0, 0, 2), (1, 0, 1), (0, 2, 2), (1, 1, 1), (0, 4, 2), (1, 2, 1),
    ]  # fmt: skip
    events = told(base.packets(packets(*sent), None))
    # Group 1's first packet after the restart was held when group 0 showed it.
    assert [event for event in events if isinstance(event, Restart)] == [Restart(0, 4, 5003, 0)]
    assert repeated() in events
    blocks = [event for event in events if isinstance(event, tuple)]
    assert [b for b in blocks if b[0] == 0] == [
        (0, 0, [0, 1, 2000, 2001]),
        (0, 4, [4000, 4001, 6000, 6001, 8000, 8001]),
    ]
    assert [b for b in blocks if b[0] == 1] == [(1, 0, [1000, 3000]), (1, 2, [7000, 9000])]
    assert not [event for event in events if isinstance(event, Gap)]


@pytest.mark.parametrize("few", [0, 1000], ids=["together", "one by one"])
def test_after_a_restart_every_group_takes_its_next_packet(
    packets: Any, told: Any, fast: GroupInfo, slow: GroupInfo, monkeypatch: pytest.MonkeyPatch, few: int
) -> None:
    monkeypatch.setattr(Timebase, "few", few)
    base = Timebase([fast, slow])
    sent = [(1, 9, 1), (0, 5000, 2), (0, 0, 2), (0, 2, 2), (0, 4, 2), (1, 777, 1), (1, 778, 1)]
    events = told(base.packets(packets(*sent), None))
    assert (1, 1, [5000, 6000]) in events
    assert not [event for event in events if isinstance(event, Gap)]


def test_groups_are_lost_apart(packets: Any, told: Any, fast: GroupInfo, slow: GroupInfo) -> None:
    base = Timebase([fast, slow])
    events = told(base.packets(packets((0, 0, 1), (1, 0, 1), (0, 5, 1), (1, 1, 1)), None))
    assert [event for event in events if isinstance(event, Gap)] == [wire(0, 1, 4)]
    assert (base.next_index(0), base.next_index(1)) == (6, 2)


# Boot numbers


def described(*groups: GroupInfo, boot: str | None) -> Description:
    return Description(groups, boot=boot)


def test_another_boot_number_is_a_restart(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast], boot="1")
    base.packets(packets((0, 10, 2), (0, 5, 1)), None)
    assert base.description(described(fast, boot="1")) == []
    assert base.description(described(fast, boot=None)) == []
    # The packet that was held belonged to the time before.
    assert base.description(described(fast, boot="2")) == [repeated()]
    # The row tells where the device counts from now.
    assert told(base.packets(packets((0, 900, 1)), None)) == [
        Restart(0, 2, 11, 900),
        start(0, 2, 0.002),
        (0, 2, [0]),
    ]


def test_one_restart_is_one_row_counter_first(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast], boot="1")
    seen = base.packets(packets((0, 10, 2), (0, 0, 1), (0, 1, 1)), None)
    assert len([event for event in seen if isinstance(event, Restart)]) == 1
    assert base.description(described(fast, boot="2")) == []
    assert base.description(described(fast, boot="3")) == []
    assert base.finish() == [Restart(None, 4, 1, None)]


def test_one_restart_is_one_row_boot_first(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast], boot="1")
    base.packets(packets((0, 10, 2)), None)
    base.description(described(fast, boot="2"))
    assert told(base.packets(packets((0, 0, 1), (0, 1, 1)), None)) == [
        Restart(0, 2, 11, 0),
        start(0, 2, 0.002),
        (0, 2, [0, 1000]),
    ]
    assert base.description(described(fast, boot="2")) == []
    assert base.finish() == []


def test_the_row_of_a_restart_names_the_group_that_came_first(
    packets: Any, fast: GroupInfo, slow: GroupInfo
) -> None:
    base = Timebase([fast, slow], boot="1")
    base.packets(packets((0, 10, 2), (1, 70, 3)), None)
    base.description(described(fast, slow, boot="2"))
    events = base.packets(packets((1, 4, 1), (0, 0, 1)), None)
    assert [event for event in events if isinstance(event, Restart)] == [Restart(1, 3, 72, 4)]


def test_two_restarts_without_a_scan_between(packets: Any, fast: GroupInfo) -> None:
    base = Timebase([fast], boot="1")
    base.packets(packets((0, 10, 2)), None)
    base.description(described(fast, boot="2"))
    assert base.description(described(fast, boot="3")) == [Restart(None, 2, 11, None)]
    assert base.finish() == [Restart(None, 2, None, None)]


def test_the_first_boot_number_is_no_restart(fast: GroupInfo) -> None:
    base = Timebase([fast])
    assert base.description(described(fast, boot="1")) == []
    assert base.finish() == []


def test_other_groups_are_another_run(fast: GroupInfo, slow: GroupInfo) -> None:
    with pytest.raises(ValueError, match="expected 1 groups, got 2"):
        Timebase([fast]).description(described(fast, slow, boot=None))


# Arrival clocks: what loss is plausible


@pytest.mark.parametrize(
    ("elapsed_s", "lost", "restarted"),
    [
        (0.0, 2000, False),
        (0.0, 2001, True),
        (10.0, 13000, False),
        (10.0, 13001, True),
        (7200.0, 4_000_000, False),
    ],
)
@pytest.mark.parametrize("by_wall", [False, True])
def test_a_jump_is_loss_when_the_device_could_have_made_it(
    packets: Any, when: Any, fast: GroupInfo, elapsed_s: float, lost: int, restarted: bool, by_wall: bool
) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 0, 1)), when(100.0))
    later = when(100.0, 100.0 + elapsed_s) if by_wall else when(100.0 + elapsed_s, 100.0)
    events = base.packets(packets((0, 1 + lost, 1)), later)
    assert any(isinstance(event, Restart) for event in events) == restarted
    assert any(isinstance(event, Gap) for event in events) != restarted


def test_packets_read_together_may_be_as_old_as_the_read_before(
    packets: Any, when: Any, fast: GroupInfo
) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 0, 1)), when(0.0))
    events = base.packets(packets((0, 1, 1), (0, 50_000, 1)), when(60.0))
    assert wire(0, 2, 49_998) in events


def test_a_late_packet_does_not_shorten_the_time(packets: Any, when: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 10, 1)), when(0.0))
    base.packets(packets((0, 10, 1)), when(60.0))
    assert wire(0, 1, 60_000) in base.packets(packets((0, 60_011, 1)), when(60.1))


def test_without_a_rate_every_jump_is_loss(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([dataclasses.replace(fast, rate_hz=None)])
    events = told(base.packets(packets((0, 0, 1), (0, 2**31, 1)), None))
    assert wire(0, 1, 2**31 - 1) in events
    assert events[0] == SegmentStart(0, 0, 0.0, None)


# Other counters


@pytest.mark.parametrize("bits", [0, 63])
def test_counter_widths(fast: GroupInfo, bits: int) -> None:
    with pytest.raises(ValueError, match="counter_bits from 1 to 62"):
        Timebase([fast], counter_bits=bits)


def test_a_short_counter(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast], counter_bits=8)
    events = told(
        base.packets(packets((0, 250, 4), (0, 254, 2), (0, 0, 1), (0, 6, 1), (0, 6, 1), (0, 7, 1)), None)
    )
    assert events == [
        start(),
        (0, 0, [0, 1, 2, 3, 1000, 1001, 2000]),
        wire(0, 7, 5),
        (0, 12, [3000, 5000]),
        repeated(),
    ]


# Interruptions


@pytest.mark.parametrize("cause", [GapCause.OUTAGE, GapCause.HOST])
def test_the_next_jump_has_the_cause(
    packets: Any, told: Any, fast: GroupInfo, slow: GroupInfo, cause: GapCause
) -> None:
    base = Timebase([fast, slow])
    base.packets(packets((0, 0, 1), (1, 0, 1)), None)
    assert base.interrupted(cause) == []
    events = told(base.packets(packets((0, 5, 1), (0, 9, 1), (1, 1, 1), (1, 5, 1)), None))
    assert [event for event in events if isinstance(event, Gap)] == [
        Gap(0, 1, 4, cause),
        wire(0, 6, 3),
        wire(1, 2, 3),
    ]


def test_a_repeat_does_not_use_the_cause_up(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 0, 1)), None)
    base.interrupted(GapCause.OUTAGE)
    assert Gap(0, 1, 4, GapCause.OUTAGE) in told(base.packets(packets((0, 0, 1), (0, 5, 1)), None))


def test_a_restart_during_an_outage(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 500, 1)), None)
    base.interrupted(GapCause.OUTAGE)
    events = told(base.packets(packets((0, 0, 1), (0, 1, 1), (0, 5, 1)), None))
    assert [event for event in events if isinstance(event, Restart | Gap)] == [
        Restart(0, 1, 500, 0),
        wire(0, 3, 3),
    ]


def test_without_a_counter_an_interruption_is_known_but_not_its_length(
    packets: Any, told: Any, fast: GroupInfo
) -> None:
    base = Timebase([fast])
    assert base.interrupted(GapCause.OUTAGE) == []
    assert told(base.packets(packets((0, None, 3)), None)) == [start(), (0, 0, [0, 1, 2])]
    assert base.interrupted(GapCause.OUTAGE) == [Gap(0, 3, None, GapCause.OUTAGE)]
    assert told(base.packets(packets((0, None, 2)), None)) == [(0, 3, [0, 1])]
    assert base.finish() == []


def test_without_a_counter_boot_still_tells_a_restart(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast], boot="1")
    base.packets(packets((0, None, 3)), None)
    base.description(described(fast, boot="2"))
    assert told(base.packets(packets((0, None, 1)), None)) == [
        Restart(0, 3, None, None),
        start(0, 3, 0.003),
        (0, 3, [0]),
    ]


def test_a_counter_that_appears_is_taken_as_it_comes(packets: Any, told: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    base.packets(packets((0, None, 3)), None)
    assert told(base.packets(packets((0, 70, 1), (0, 72, 1)), None)) == [
        (0, 3, [0]),
        wire(0, 4, 1),
        (0, 5, [1000]),
    ]


# Bursts


def gaps(events: list[Any]) -> list[tuple[int, int | None, str]]:
    return [(event.first, event.count, str(event.cause)) for event in events if isinstance(event, Gap)]


BURSTS = {
    "whole bursts": ([(0, 100, 10), (0, 210, 10), (0, 320, 10)], [(10, 100, "burst"), (120, 100, "burst")]),
    "in several packets": ([(0, 0, 6), (0, 6, 4), (0, 50, 6), (0, 56, 4), (0, 100, 1)],
                           [(10, 40, "burst"), (60, 40, "burst")]),
    "joined midway": ([(0, 7, 3), (0, 50, 10), (0, 100, 10)], [(3, 40, "burst"), (53, 40, "burst")]),
    "more than a burst before the first jump": ([(0, 0, 11), (0, 50, 10), (0, 100, 1)],
                                               [(11, 39, "wire"), (60, 40, "burst")]),
    "two bursts without a pause": ([(0, 0, 10), (0, 50, 20), (0, 100, 1)],
                                   [(10, 40, "burst"), (70, 30, "burst")]),
    "lost inside a burst": ([(0, 0, 10), (0, 50, 4), (0, 56, 4), (0, 100, 10), (0, 150, 1)],
                            [(10, 40, "burst"), (54, 2, "wire"), (60, 40, "wire"), (110, 40, "burst")]),
}  # fmt: skip


@pytest.mark.parametrize("few", [0, 1000], ids=["together", "one by one"])
@pytest.mark.parametrize(("sent", "expected"), BURSTS.values(), ids=BURSTS)
def test_burst_pauses(
    packets: Any,
    fast: GroupInfo,
    monkeypatch: pytest.MonkeyPatch,
    few: int,
    sent: list[Any],
    expected: list[Any],
) -> None:
    monkeypatch.setattr(Timebase, "few", few)
    base = Timebase([dataclasses.replace(fast, burst=10)])
    assert gaps(base.packets(packets(*sent), None)) == expected


def test_an_outage_in_a_burst_is_joined_midway(packets: Any, fast: GroupInfo) -> None:
    base = Timebase([dataclasses.replace(fast, burst=10)])
    base.packets(packets((0, 0, 10)), None)
    base.interrupted(GapCause.OUTAGE)
    assert gaps(base.packets(packets((0, 53, 7), (0, 100, 10)), None)) == [
        (10, 43, "outage"),
        (60, 40, "burst"),
    ]


def test_a_restart_in_a_burst_is_joined_midway(packets: Any, fast: GroupInfo) -> None:
    base = Timebase([dataclasses.replace(fast, burst=10)])
    sent = [(0, 500, 10), (0, 550, 10), (0, 2, 4), (0, 6, 4), (0, 50, 10)]
    assert gaps(base.packets(packets(*sent), None)) == [(10, 40, "burst"), (68, 40, "burst")]


def test_a_description_may_tell_of_bursts_later(packets: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 0, 10)), None)
    base.description(described(dataclasses.replace(fast, burst=10), boot=None))
    assert gaps(base.packets(packets((0, 50, 10)), None)) == [(10, 40, "burst")]


# What is handed on


def test_blocks_are_joined_without_copying(packets: Any, fast: GroupInfo) -> None:
    sent = packets(*((0, 3 * k, 3) for k in range(50)))
    (_, block) = Timebase([fast]).packets(sent, None)
    assert np.shares_memory(block.codes, sent.codes[0])
    assert len(block.codes) == 150


def test_a_held_packet_does_not_keep_a_whole_read_alive(packets: Any, fast: GroupInfo) -> None:
    base = Timebase([fast])
    base.packets(packets((0, 100, 1000), (0, 5, 2)), None)
    held = base._groups[0].held
    assert held is not None
    assert held.piece.codes.base is None
    assert len(held.piece.codes) == 2


def test_a_group_that_never_came(fast: GroupInfo, slow: GroupInfo) -> None:
    base = Timebase([fast, slow])
    assert base.next_index(1) == 0
    assert base.segments(1).segments == ()
    assert base.rate_fit(1) is None
    assert base.clock_jitter_s(1) is None
    assert CodeType.U16 in {fast.code}

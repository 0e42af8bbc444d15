"""What the tests of the wire share: a plain decoder by the rules, and ways to cut a stream."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
import pytest

from livesense.samples import CodeType, Description, GroupInfo, LinkFault, Note, Packets


def plain(events: Iterable[Any]) -> tuple[list[Any], dict[str, int]]:
    """Events in a form that can be compared whatever the reads: packets one by one, faults counted."""
    content: list[Any] = []
    faults: Counter[str] = Counter()
    for event in events:
        if isinstance(event, LinkFault):
            faults[str(event.kind)] += event.count
        elif isinstance(event, Packets):
            rows = {group: iter(codes.tolist()) for group, codes in event.codes.items()}
            clock = None if event.clock is None else iter(event.clock.tolist())
            firsts = [None] * len(event.group) if event.first is None else event.first.tolist()
            for group, first, count in zip(event.group.tolist(), firsts, event.count.tolist(), strict=True):
                for scan in range(count):
                    # One entry a scan: without a counter a packet has no meaning of its own.
                    content.append(
                        (
                            group,
                            None if first is None else (first, count, scan),
                            tuple(next(rows[group])),
                            None if clock is None else next(clock),
                        )
                    )
            assert all(next(rest, None) is None for rest in rows.values())
            assert all(codes.dtype.isnative for codes in event.codes.values())
        else:
            content.append(event)
    return content, dict(faults)


def decoded(decoder: Any, data: bytes, cuts: Sequence[int] = ()) -> tuple[list[Any], dict[str, int]]:
    """Everything a decoder makes of a stream that is read in these pieces."""
    events: list[Any] = []
    edges = [0, *sorted(cuts), len(data)]
    for begin, end in itertools.pairwise(edges):
        events += decoder.feed(data[begin:end])
    events += decoder.finish()
    return plain(events)


def cut_ways(data: bytes, seed: int = 0) -> list[list[int]]:
    """Whole, byte by byte, and at random."""
    rng = np.random.default_rng(seed)
    ways: list[list[int]] = [[], list(range(1, len(data)))]
    for _ in range(3):
        ways.append(rng.integers(0, len(data) + 1, int(rng.integers(1, 12))).tolist())
    return ways


@pytest.fixture
def read() -> Callable[..., tuple[list[Any], dict[str, int]]]:
    """Decode one stream in many ways; all must give the same, which is returned."""

    def everywhere(make: Callable[[], Any], data: bytes) -> tuple[list[Any], dict[str, int]]:
        results = [decoded(make(), data, cuts) for cuts in cut_ways(data)]
        for other in results[1:]:
            assert other == results[0]
        return results[0]

    return everywhere


@pytest.fixture
def once() -> Callable[..., tuple[list[Any], dict[str, int]]]:
    """Decode one stream with the given cuts."""
    return decoded


@pytest.fixture
def pump() -> tuple[GroupInfo, ...]:
    """The coolant pump's two groups."""
    return (
        GroupInfo(20000.0, CodeType.U16, 12, ("iu", "iv", "iw", "vbus")),
        GroupInfo(10.0, CodeType.U16, 12, ("t_sink", "state")),
    )


__all__ = ["Description", "Note", "cut_ways", "decoded", "plain"]

"""A device that counts, for the tests of the accounting."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from livesense.samples import (
    Arrival,
    CodeType,
    Gap,
    GroupInfo,
    LinkFault,
    Packets,
    Restart,
    ScanBlock,
    SegmentStart,
)


def make_packets(*sent: tuple[int, int | None, int], clock: list[int] | None = None) -> Packets:
    """Packets of (group, first counter, scans); each code is 1000·packet + position in it."""
    counted = all(first is not None for _, first, _ in sent)
    codes = {}
    for group in dict.fromkeys(number for number, _, _ in sent):
        rows = [1000 * at + np.arange(count) for at, (number, _, count) in enumerate(sent) if number == group]
        codes[group] = np.concatenate(rows)[:, np.newaxis]
    return Packets(
        np.array([group for group, _, _ in sent], dtype=np.int64),
        np.array([first for _, first, _ in sent], dtype=np.int64) if counted else None,
        np.array([count for _, _, count in sent], dtype=np.int64),
        codes,
        None if clock is None else np.array(clock, dtype=np.int64),
    )


def story(events: list[Any]) -> list[Any]:
    """Events in short: blocks as (group, first, codes)."""
    told: list[Any] = []
    for event in events:
        if isinstance(event, ScanBlock):
            told.append((event.group, event.first, event.codes[:, 0].tolist()))
        else:
            assert isinstance(event, Gap | Restart | SegmentStart | LinkFault)
            told.append(event)
    return told


@pytest.fixture
def packets() -> Callable[..., Packets]:
    return make_packets


@pytest.fixture
def told() -> Callable[[list[Any]], list[Any]]:
    return story


@pytest.fixture
def fast() -> GroupInfo:
    return GroupInfo(1000.0, CodeType.U16, 12, ("iu",))


@pytest.fixture
def slow() -> GroupInfo:
    return GroupInfo(10.0, CodeType.U16, 12, ("t",))


def at(seconds: float, wall_s: float | None = None) -> Arrival:
    return Arrival(seconds, 1_700_000_000.0 + (seconds if wall_s is None else wall_s))


@pytest.fixture
def when() -> Callable[..., Arrival]:
    return at

"""A thousand faults of a link on each wire, counted to the scan in the logbook.

With a counter every scan of the device is stored or in a gap, and stands at its index. What
lies around a restart cannot be counted: of each of the device's lives the scans before the first and behind
the last that was stored. That these are few is held to as well: every packet that came through whole is
stored, but for one that came late or twice, one at an interruption, and the first few after a restart.
Without a counter nothing is said of the loss.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from livesense.logbook.reader import Logbook
from livesense.logbook.run_reader import RunReader
from tests.support import link_faults, scripted_port
from tests.support.link_faults import Story, Wire

FAULTS = 1000

COUNTED: dict[str, Callable[[], Wire]] = {
    "framed": link_faults.framed,
    "text": lambda: link_faults.text(counter=True, checksum=False),
    "text, checksum": lambda: link_faults.text(counter=True, checksum=True),
    "text, checksum, 16 bits": lambda: link_faults.text(counter=True, checksum=True, bits=16),
    "text, 8 bits": lambda: link_faults.text(counter=True, checksum=False, bits=8),
    "record": lambda: link_faults.record(counter=True, check="crc16-modbus"),
    "record of four scans": lambda: link_faults.record(counter=True, check="crc16-modbus", scans=4),
}
UNCOUNTED: dict[str, Callable[[], Wire]] = {
    "text": lambda: link_faults.text(counter=False, checksum=False),
    "text, checksum": lambda: link_faults.text(counter=False, checksum=True),
    "record": lambda: link_faults.record(counter=False, check="sum8"),
    "record without a check": lambda: link_faults.record(counter=False, check="none"),
}

LIVE = [pytest.param(True, id="port"), pytest.param(False, id="file", marks=pytest.mark.slow)]

Run = tuple[dict[str, Any], RunReader]


@pytest.fixture
def record(tmp_path: Path) -> Any:
    """Record a story through the recorder; only the port and its clock are not real."""
    books: list[Logbook] = []

    def call(story: Story, seed: int, *, live: bool) -> Run:
        path = tmp_path / f"{seed}.db"
        summary = scripted_port.record(story.wire.bench, link_faults.items(story, seed), path, live=live)
        books.append(Logbook(path))
        return summary, books[-1].run("last")

    yield call
    for book in books:
        book.close()


def stored(run: RunReader, group: int) -> list[tuple[int, int | None]]:
    """Index of each stored scan, and which one of all that were sent it is."""
    first, stop = run.extent(group)
    return [
        (at + row, link_faults.serial_of(codes, group))
        for at, rows in run.codes(group, first, stop)
        for row, codes in enumerate(rows.tolist())
    ]


def due(story: Story, group: int) -> set[int]:
    """Scans that must be stored."""
    return {
        packet.first + k
        for packet in story.packets
        if packet.whole and not packet.excused and packet.group == group
        for k in range(packet.count)
    }


def seeds(*quick: int, long: Sequence[int] = ()) -> list[Any]:
    return [*quick, *(pytest.param(seed, marks=pytest.mark.slow) for seed in long)]


@pytest.mark.parametrize("live", LIVE)
@pytest.mark.parametrize("name", COUNTED)
@pytest.mark.parametrize("seed", seeds(1, long=(2, 3)))
def test_every_scan_is_stored_or_in_a_gap(record: Any, name: str, seed: int, live: bool) -> None:
    story = link_faults.tell(COUNTED[name](), faults=FAULTS, seed=seed, live=live)
    assert sum(story.faults.values()) == FAULTS
    summary, run = record(story, seed, live=live)
    assert summary["ended"] == "closed"
    for group in range(story.wire.groups):
        counted_to_the_scan(story, run, group)
    gaps = run.gaps()
    assert summary["gaps"] == len(gaps)
    for group, told in enumerate(summary["groups"]):
        assert told["scans_stored"] == len(stored(run, group))
        assert told["scans_lost"] == sum(gap.count or 0 for gap in gaps if gap.group == group)
    # Each restart is told once, whether by the counter or by the boot number.
    assert summary["restarts"] == len(run.restarts()) == len(story.lives) - 1
    causes = {gap.cause for gap in gaps}
    assert causes == ({"wire", "outage", "host"} if live else {"wire"})


def counted_to_the_scan(story: Story, run: RunReader, group: int) -> None:
    found = stored(run, group)
    assert all(serial is not None for _, serial in found), "a scan is stored that was never sent"
    at = [(index, serial or 0) for index, serial in found]
    begins = [life.first[group] for life in story.lives]

    def life_of(serial: int) -> int:
        return bisect.bisect_right(begins, serial) - 1

    assert at[0][0] == 0
    restarts = {(row.group, row.scan): row for row in run.restarts()}
    for (before, last), (index, serial) in pairwise(at):
        if life_of(last) == life_of(serial):
            assert index - before == serial - last, "the index is not the count of the device"
        else:
            assert index == before + 1
            assert life_of(serial) == life_of(last) + 1
            row = restarts.get((group, index))
            if row is not None:
                assert row.last_counter == story.counter(story.lives[life_of(last)], group, last)
                assert row.first_counter == story.counter(story.lives[life_of(serial)], group, serial)
    holes = [
        (one + 1, other - one - 1, cause(story, group, last, serial))
        for (one, last), (other, serial) in pairwise(at)
        if other - one > 1
    ]
    assert [(gap.first, gap.count, gap.cause) for gap in run.gaps(group)] == holes
    serials = {serial for _, serial in at}
    missing = due(story, group) - serials
    assert not missing, "a packet that came through whole is not stored"
    # Stored and in gaps: all that was sent, but for the two ends of each life.
    reach = 0
    for number, begin in enumerate(begins):
        end = begins[number + 1] if number + 1 < len(begins) else story.sent[group]
        own = [serial for serial in serials if begin <= serial < end]
        reach += max(own) - min(own) + 1
    assert len(at) + sum(count for _, count, _ in holes) == reach
    assert reach >= story.sent[group] - 2 * len(begins) * EDGE_PACKETS * story.wire.scans[1]


def cause(story: Story, group: int, before: int, after: int) -> str:
    """Who lost the scans between these two: an interruption among them, or the wire."""
    found = [p.sudden for p in story.packets if p.sudden and before < p.reach[group] <= after]
    return found[-1] if found else "wire"


EDGE_PACKETS = 60
"""Packets that may be lost at an end of a life: a stretch that was lost, the faults beside it, and an
interruption."""


@pytest.mark.parametrize("live", LIVE)
@pytest.mark.parametrize("name", UNCOUNTED)
@pytest.mark.parametrize("seed", seeds(1, long=(2, 3)))
def test_without_a_counter_loss_is_unknown_and_not_zero(
    record: Any, name: str, seed: int, live: bool
) -> None:
    story = link_faults.tell(UNCOUNTED[name](), faults=FAULTS, seed=seed, live=live)
    summary, run = record(story, seed, live=live)
    (told,) = summary["groups"]
    assert told["scans_lost"] is None
    assert run.scans_lost(0) is None
    assert run.row.scans_lost is None
    assert (summary["gaps"], summary["restarts"]) == (0, 0)
    interruptions = story.faults.get("outage", 0) + story.faults.get("host", 0)
    assert [gap.count for gap in run.gaps()] == [None] * interruptions
    found = stored(run, 0)
    assert [index for index, _ in found] == list(range(len(found)))
    serials = [serial for _, serial in found if serial is not None]
    assert due(story, 0) <= set(serials)
    # A flipped bit of a record without a check is a scan that was never sent: one at most for each fault.
    spoilt = 0 if story.wire.checked or story.wire.end else sum(not packet.whole for packet in story.packets)
    assert len(found) - len(serials) <= spoilt
    steps = [other - one for one, other in pairwise(serials)]
    # Codes of twelve bits that tell where they belong may do so by chance.
    assert sum(step < 0 for step in steps) <= story.faults["exchange"] + (2 if spoilt else 0)
    assert sum(step == 0 for step in steps) <= story.faults["twice"]

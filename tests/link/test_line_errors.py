"""What a driver counts of broken bytes: the driver is made up, since no pseudo-terminal has such counts."""

from __future__ import annotations

import os
import struct

import pytest

from livesense.link.line_errors import LineErrors, read_line_errors

pytestmark = pytest.mark.skipif(os.name != "posix", reason="only Linux tells")


@pytest.fixture
def driver(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Counts in the order of Linux's include/uapi/linux/serial.h, struct serial_icounter_struct:
    cts dsr rng dcd rx tx frame overrun parity brk buf_overrun, and nine reserved."""
    import fcntl

    counts = [0] * 20
    monkeypatch.setattr(fcntl, "ioctl", lambda *_: struct.pack("=20i", *counts))
    return counts


def test_the_counts_are_those_of_the_kernel(driver: list[int]) -> None:
    driver[:11] = [1, 2, 3, 4, 5, 6, 70, 8, 9, 100, 11]
    assert read_line_errors(0) == LineErrors(framing=70, breaks=100, overruns=19)


def test_only_what_came_since_the_port_was_opened_counts(driver: list[int]) -> None:
    driver[6], driver[9] = 50, 7
    before = read_line_errors(0)
    driver[6] = 80
    now = read_line_errors(0)
    assert before is not None and now is not None
    assert now.since(before) == LineErrors(framing=30)


def test_a_pseudo_terminal_does_not_tell() -> None:
    ours, theirs = os.openpty()
    try:
        assert read_line_errors(theirs) is None
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_serial_port_tells_through_the_reader(driver: list[int]) -> None:
    from livesense.link.address import parse_address
    from livesense.link.queue import Chunk, LinkQueue
    from livesense.link.reader import LinkReader

    ours, theirs = os.openpty()
    queue = LinkQueue()
    driver[6] = 5
    reader = LinkReader(parse_address(os.ttyname(theirs)), 115200, queue)
    try:
        reader.start()
        while reader.line_errors is None:
            queue.take(0.05)
        driver[6] = 12
        while reader.line_errors != LineErrors(framing=7):
            os.write(ours, b"x")
            for item in queue.take(0.05):
                assert isinstance(item, Chunk)
    finally:
        reader.stop()
        os.close(ours)
        os.close(theirs)

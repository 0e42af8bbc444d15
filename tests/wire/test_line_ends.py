"""Line ends, whole and byte by byte."""

from __future__ import annotations

import pytest

from livesense.wire.line_ends import LineEnds


@pytest.mark.parametrize(
    ("sent", "made"),
    [
        (b"1,2\n3,4\n", b"1,2\n3,4\n"),
        (b"1,2\r\n3,4\r\n", b"1,2\r\n3,4\r\n"),
        (b"1,2\r3,4\r", b"1,2\n3,4\n"),
        (b"1,2\r\r\n3,4\r\r\n", b"1,2\n\n\n3,4\n\n\n"),
        # The first end decides: a CR within a line is left alone behind an LF.
        (b"1,2\n3\r,4\n", b"1,2\n3\r,4\n"),
        (b"1,2", b"1,2"),
        (b"1,2\r", b"1,2\n"),
        (b"", b""),
    ],
)
@pytest.mark.parametrize("size", [1, 2, 3, 100])
def test_the_first_end_tells(sent: bytes, made: bytes, size: int) -> None:
    ends = LineEnds()
    parts = [ends.feed(sent[at : at + size]) for at in range(0, len(sent), size)]
    assert b"".join(parts) + ends.finish() == made

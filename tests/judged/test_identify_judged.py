"""`livesense identify` on captures of layouts drawn by lot, made and graded by what the documents say alone.

A failed test tells seed and number of every case that is not right; `unknown_stream(seed, number)` or
`struct_stream(seed, number)` has its bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import stream_judge
import struct_judge
from stream_judge import Grade
from struct_streams import struct_stream
from unknown_streams import unknown_stream

MOST_WRONG = 0
"""Of the streams of a seed told wrong with confidence."""


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize(
    ("make", "judged", "seed", "streams", "least_right", "least_sure"),
    [
        (unknown_stream, stream_judge.judged, 4101, 100, 95, 75),
        (unknown_stream, stream_judge.judged, 4102, 100, 95, 75),
        # Fields of mixed types beside each other, long rests: much that bytes cannot tell.
        (struct_stream, struct_judge.judged, 1, 60, 38, 24),
    ],
)
def test_captures_are_told_right_or_doubted(
    make: Callable[..., Any],
    judged: Callable[..., Any],
    seed: int,
    streams: int,
    least_right: int,
    least_sure: int,
    livesense: Callable[..., Any],
    tmp_path: Path,
) -> None:
    verdicts = []
    for number in range(streams):
        sent = make(seed, number)
        (tmp_path / "capture.bin").write_bytes(sent.raw)
        verdicts.append(judged(sent, livesense("identify", "file:capture.bin", "--json").json))
    others = "\n".join(str(one) for one in verdicts if one.grade is not Grade.RIGHT)
    grades = [one.grade for one in verdicts]
    assert grades.count(Grade.WRONG) <= MOST_WRONG, others
    assert grades.count(Grade.RIGHT) >= least_right, others
    # Whoever doubts everything is never wrong: most that is right must be said with confidence.
    sure = sum(one.grade is Grade.RIGHT and one.confidence >= stream_judge.CONFIDENT for one in verdicts)
    assert sure >= least_sure, others


@pytest.mark.parametrize(
    ("make", "judged", "seed", "number"),
    [
        # A clock whose lowest byte was taken for a channel's, and the other way round.
        (unknown_stream, stream_judge.judged, 4101, 52),
        (unknown_stream, stream_judge.judged, 5001, 12),
        (unknown_stream, stream_judge.judged, 4101, 36),
        # Bytes joined with a length, a state or a counter beside them.
        (unknown_stream, stream_judge.judged, 4102, 27),
        (unknown_stream, stream_judge.judged, 4101, 47),
        (unknown_stream, stream_judge.judged, 9011, 9),
        (unknown_stream, stream_judge.judged, 9101, 75),
        # Floats in few records, or among other fields.
        (unknown_stream, stream_judge.judged, 922, 67),
        (unknown_stream, stream_judge.judged, 4101, 73),
        (struct_stream, struct_judge.judged, 1, 82),
        # Scans of other channels, at rest and at a speed that deceives.
        (unknown_stream, stream_judge.judged, 4102, 33),
        (unknown_stream, stream_judge.judged, 4102, 99),
        (unknown_stream, stream_judge.judged, 9011, 13),
        (unknown_stream, stream_judge.judged, 9111, 14),
        # A word that is a counter's high byte, the end of the record before, or a quiet channel.
        (unknown_stream, stream_judge.judged, 9007, 73),
        (unknown_stream, stream_judge.judged, 9106, 55),
        (struct_stream, struct_judge.judged, 1, 8),
        (struct_stream, struct_judge.judged, 1, 77),
        # The other byte order, a byte off; a check that damage hid; a clock of few ticks; a torn header.
        (unknown_stream, stream_judge.judged, 9002, 5),
        (unknown_stream, stream_judge.judged, 5002, 80),
        (struct_stream, struct_judge.judged, 1, 25),
        (unknown_stream, stream_judge.judged, 5001, 4),
    ],
)
@pytest.mark.slow
def test_what_was_told_wrong_once(
    make: Callable[..., Any],
    judged: Callable[..., Any],
    seed: int,
    number: int,
    livesense: Callable[..., Any],
    tmp_path: Path,
) -> None:
    sent = make(seed, number)
    (tmp_path / "capture.bin").write_bytes(sent.raw)
    verdict = judged(sent, livesense("identify", "file:capture.bin", "--json").json)
    assert verdict.grade is not Grade.WRONG, str(verdict)

"""`livesense identify` on captures of layouts drawn by lot, made and graded by what the documents say alone.

A failed test tells seed and number of every case that is not right; `unknown_stream(seed, number)` has its
bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from stream_judge import Grade, judged
from unknown_streams import unknown_stream

STREAMS = 100
"""Of each of two seeds."""

LEAST_RIGHT = 95
MOST_WRONG = 3
"""Of them told wrong with confidence: none is the aim."""


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", [4101, 4102])
def test_captures_are_told_right_or_doubted(seed: int, livesense: Callable[..., Any], tmp_path: Path) -> None:
    verdicts = []
    for number in range(STREAMS):
        sent = unknown_stream(seed, number)
        (tmp_path / "capture.bin").write_bytes(sent.raw)
        verdicts.append(judged(sent, livesense("identify", "file:capture.bin", "--json").json))
    others = "\n".join(str(one) for one in verdicts if one.grade is not Grade.RIGHT)
    grades = [one.grade for one in verdicts]
    assert grades.count(Grade.WRONG) <= MOST_WRONG, others
    assert grades.count(Grade.RIGHT) >= LEAST_RIGHT, others

"""The recorder that listens to a board."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from board_kit import Recorder


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Callable[..., Recorder]]:
    """Start the real recorder in the test's own folder."""
    started: list[Recorder] = []

    def start(bench: Path, port: str, *options: str) -> Recorder:
        started.append(Recorder(tmp_path, bench, port, *options))
        return started[-1]

    yield start
    for recorder in started:
        recorder.end()

"""What the tests of the recorder share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from livesense.bench import parse
from livesense.link.address import parse_address
from livesense.logbook.reader import Logbook
from livesense.record_settings import RecordSettings
from livesense.recorder import Recorder

Runs = list[tuple[int, dict[str, int], list[str]]]


@pytest.fixture
def runs_of(tmp_path: Path) -> Callable[[bytes, str], Runs]:
    """Record a file; gives each run's scans, faults and notes of the device."""

    def call(stream: bytes, bench: str) -> Runs:
        (tmp_path / "stream.bin").write_bytes(stream)
        address = parse_address(f"file:{tmp_path / 'stream.bin'}")
        summary = Recorder(RecordSettings(parse(bench), address, tmp_path / "l.db", until_closed=True)).run()
        assert summary["ended"] == "closed"
        found: Runs = []
        with Logbook(tmp_path / "l.db") as book:
            for number in summary["runs"]:
                run = book.run(number)
                notes = [note.text for note in run.notes() if note.source == "device"]
                found.append((run.scans_stored(0), run.fault_counts(), notes))
        assert summary["faults"] == found[-1][1]
        return found

    return call

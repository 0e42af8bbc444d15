"""What stands behind a description that changes the channels, in the same read, is the next run's."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from plain_device import Sender, bench_text, description_frame, group, note_frame, scans_frame

from livesense.bench import parse
from livesense.link.address import parse_address
from livesense.logbook.reader import Logbook
from livesense.record_settings import RecordSettings
from livesense.recorder import Recorder

BAD = b"\x05\x06\0"


def runs_of(folder: Path, stream: bytes, bench: str) -> list[tuple[int, dict[str, int], list[str]]]:
    """Record a file; gives each run's scans, faults and notes of the device."""
    (folder / "stream.bin").write_bytes(stream)
    address = parse_address(f"file:{folder / 'stream.bin'}")
    summary = Recorder(RecordSettings(parse(bench), address, folder / "l.db", until_closed=True)).run()
    assert summary["ended"] == "closed"
    found = []
    with Logbook(folder / "l.db") as book:
        for number in summary["runs"]:
            run = book.run(number)
            notes = [note.text for note in run.notes() if note.source == "device"]
            found.append((run.scans_stored(0), run.fault_counts(), notes))
    assert summary["faults"] == found[-1][1]
    return found


def described(channels: Sequence[str]) -> bytes:
    return description_frame([group(channels)])


def test_faults_notes_and_codes_behind_a_changed_description(tmp_path: Path) -> None:
    three, four = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = described(three.channels) + three.packet(10) + BAD + note_frame("one")
    stream += described(four.channels) + BAD * 3 + note_frame("two") + four.packet(20)
    stream += scans_frame(0, 20, [(4096, 4096, 1, 1)])
    assert runs_of(tmp_path, stream, bench_text()) == [
        (10, {"stuffing": 1}, ["one"]),
        (21, {"stuffing": 3, "code_range": 2}, ["two"]),
    ]


def test_a_device_that_changes_back(tmp_path: Path) -> None:
    three, four = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = described(four.channels) + four.packet(5) + described(three.channels) + BAD + three.packet(10)
    stream += described(four.channels) + BAD * 2 + four.packet(20)
    assert runs_of(tmp_path, stream, bench_text()) == [
        (5, {}, []),
        (10, {"stuffing": 1}, []),
        (20, {"stuffing": 2}, []),
    ]

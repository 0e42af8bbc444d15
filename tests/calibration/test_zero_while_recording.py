"""A zero asked for while a run is recorded: of its newest seconds, for the runs after it."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text
from still_streams import OFF, stream

from livesense.bench import parse
from livesense.errors import LogbookError
from livesense.link.address import parse_address
from livesense.logbook import requests
from livesense.logbook.reader import Logbook
from livesense.record_settings import RecordSettings
from livesense.recorder import Recorder

Command = Callable[..., Any]


def wait_for(condition: Callable[[], Any], what: str, limit_s: float = 30.0) -> Any:
    deadline = time.monotonic() + limit_s
    while not (found := condition()):
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {limit_s} s for {what}")
        time.sleep(0.02)
    return found


@pytest.fixture
def asked(tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Record a stream from a socket that stays open, ask for a zero, hand back the answer."""
    path = tmp_path / "livesense.db"
    recorders: list[tuple[Recorder, threading.Thread, socket.socket]] = []
    server = socket.create_server(("127.0.0.1", 0))

    def ask(data: bytes, kind: str = "zero", text: str = "") -> str:
        port = parse_address(f"socket://127.0.0.1:{server.getsockname()[1]}")
        recorder = Recorder(RecordSettings(parse(bench_text()), port, path))
        thread = threading.Thread(target=recorder.run)
        thread.start()
        peer, _ = server.accept()
        recorders.append((recorder, thread, peer))
        peer.sendall(data)

        def stored() -> bool:
            with suppress(LogbookError, ValueError), Logbook(path) as book:
                return book.run(1).scans_stored(0) == 4000
            return False

        wait_for(stored, "the scans")
        number = requests.ask(path, 1, kind, text)
        answer = wait_for(lambda: (row := requests.answer_of(path, number)) and row.answer, "the answer")
        return str(answer)

    yield ask
    for recorder, thread, peer in recorders:
        recorder.stop.set()
        thread.join(30)
        peer.close()
    server.close()


def test_the_zero_is_kept_for_later_runs(asked: Callable[[bytes], str], tmp_path: Path) -> None:
    answer = asked(stream(OFF, scans=4000))
    assert answer.startswith("zero kept of iu, iv, iw; runs recorded from now on use it")
    with Logbook(tmp_path / "livesense.db") as book:
        rows = {row.channel: row for row in book.calibrations("coolant pump, 24 V", dict.fromkeys(OFF, ""))}
        for name, code in OFF.items():
            assert abs(rows[name].zero_code - code) <= 3 * rows[name].u_codes
        assert book.run(1).calibration() == []


def test_a_current_that_flows_is_refused_with_its_size(asked: Callable[[bytes], str], tmp_path: Path) -> None:
    turning = 40 * np.sin(2 * np.pi * 50 * np.arange(4000) / 2000)
    answer = asked(stream(OFF | {"iv": OFF["iv"] + turning}, scans=4000))
    assert answer.startswith("no zero was kept: iv alternates by ±")
    with Logbook(tmp_path / "livesense.db") as book:
        assert book.calibrations("coolant pump, 24 V", dict.fromkeys(OFF, "")) == []


def test_what_came_down_only_now_is_refused(asked: Callable[[bytes], str]) -> None:
    early = {name: np.where(np.arange(4000) < 200, code + 300, code) for name, code in OFF.items()}
    assert asked(stream(early, scans=4000)).startswith("no zero was kept: ")


@pytest.mark.parametrize(
    ("kind", "text", "told"),
    [
        (
            "point",
            '{"channels": "iu", "value": "0 A", "errors": ["1 mA"]}',
            "point kept: iu 0 A at code 2053.",
        ),
        ("scale", "", "no scale was kept: no points wait for a fit of this bench"),
        ("discard", '{"point": 1}', "the point was not thrown away: it does not wait for a fit any more"),
    ],
)
def test_points_are_asked_for_in_the_same_way(
    asked: Callable[..., str], kind: str, text: str, told: str
) -> None:
    assert asked(stream(OFF, scans=4000), kind, text).startswith(told)


def test_it_refuses_in_the_words_of_the_command(
    asked: Callable[[bytes], str], bench: Any, sent: Any, livesense: Command
) -> None:
    far = OFF | {"iu": 2260.0}
    told = livesense("zero", bench(), "--port", sent(far), "--json")
    why = told.json["channels"]["iu"]["reason"]
    assert '`livesense zero BENCH --force "REASON"` keeps it all the same' in why
    assert asked(stream(far, scans=4000)) == f"no zero was kept: iu {why}"

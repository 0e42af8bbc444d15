"""What is told of a run whose recorder stopped without closing it: terminal, JSON and page."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import bench_text

from dashboard.run_data import last_sign_text
from livesense.last_sign import last_sign
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter


@pytest.fixture
def stopped(tmp_path: Path) -> Callable[..., Path]:
    def stopped(**figures: Any) -> Path:
        path = tmp_path / "livesense.db"
        with LogbookWriter(path) as writer:
            run = writer.start_run(
                name="", bench_name="pump", bench_text=bench_text(), bench_path="", version="", port="COM5",
                wire="framed", started_wall_s=time.time() - 60.0,
            )  # fmt: skip
            run.health(**figures)
            run.commit()
        return path

    return stopped


def test_terminal_and_page_tell_when_it_was_last_heard_of(
    stopped: Callable[..., Path], livesense: Callable[..., Any]
) -> None:
    path = stopped(link="open", last_arrival_wall_s=time.time(), waiting_bytes=4096)
    told = livesense("show", "last", "--json", "--logbook", path).json["last_sign"]
    at = told["at"][:19].replace("T", " ")
    assert "what the device has sent since" in told["text"]
    assert "4096 bytes were not decoded yet" in told["text"]
    heard = f"Its recorder was last heard of at {at}. {told['text']}"
    assert heard in livesense("show", "last", "--logbook", path).out
    with Logbook(path) as book:
        assert last_sign_text(book.run(1)) == heard


@pytest.mark.parametrize(
    ("figures", "words"),
    [({"link": "away"}, "The port was away then."), ({"last_arrival_wall_s": 1.8e9}, "Nothing had come for")],
)
def test_a_line_that_was_silent_then_is_told(
    stopped: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, figures: dict[str, Any], words: str
) -> None:
    monkeypatch.setattr("livesense.logbook.run_writer.time.time", lambda: 1.8e9 + 60)
    with Logbook(stopped(**figures)) as book:
        sign = last_sign(book.run(1))
    assert sign is not None and words in sign.text


def test_of_a_run_that_was_closed_nothing_is_told(tmp_path: Path) -> None:
    path = tmp_path / "livesense.db"
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="", bench_name="pump", bench_text=bench_text(), bench_path="", version="", port="COM5",
            wire="framed", started_wall_s=time.time(),
        )  # fmt: skip
        run.finish("time", time.time())
    with Logbook(path) as book:
        assert last_sign(book.run(1)) is None and last_sign_text(book.run(1)) == ""

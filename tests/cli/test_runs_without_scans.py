"""A run without scans is never told as if something had been measured."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group

Command = Callable[..., Any]

STREAMS = {
    "nothing": (b"", 0, "No byte came"),
    "noise": (bytes(range(1, 200)) * 9, 1, "livesense show 1"),
    "description only": (description_frame([group(("iu", "iv", "iw"))]), 1, "livesense show 1"),
}


@pytest.fixture(params=STREAMS)
def empty_run(request: pytest.FixtureRequest, livesense: Command, tmp_path: Path) -> Any:
    stream, code, next_step = STREAMS[request.param]
    (tmp_path / "stream.bin").write_bytes(stream)
    (tmp_path / "pump.toml").write_text(bench_text(), encoding="utf-8")
    answer = livesense("record", "pump.toml", "--port", "file:stream.bin", "--until-closed")
    return answer, code, next_step


def test_record_says_so_and_what_to_look_at(empty_run: Any) -> None:
    answer, code, next_step = empty_run
    assert answer.code == code
    assert answer.out.startswith("Run 1 holds no scans")
    assert next_step in answer.out
    assert "measure" not in answer.out


@pytest.mark.parametrize("command", ["measure", "events", "export"])
@pytest.mark.parametrize("form", [(), ("--json",)])
def test_questions_to_it_fail_with_the_same_sentence(
    empty_run: Any, livesense: Command, command: str, form: tuple[str, ...], tmp_path: Path
) -> None:
    answer = livesense(command, "last", *form)
    assert (answer.code, answer.out) == (1, "")
    assert answer.err.startswith("livesense: run 1 holds no scans; ")
    assert not list(tmp_path.glob("*.csv"))


def test_show_and_runs_say_so(empty_run: Any, livesense: Command) -> None:
    shown = livesense("show", "last")
    assert shown.code == 0
    assert "Run 1 holds no scans" in shown.out
    listed = livesense("runs").out
    assert "—: run 1 holds no scans" in listed
    assert "?" not in listed


def test_a_run_with_one_scan_is_no_such_run(recorded: Callable[..., Any], livesense: Command) -> None:
    sender = Sender()
    recorded(description_frame([group(sender.channels)]) + sender.packet(1), bench_text())
    assert "holds no scans" not in livesense("runs").out
    assert livesense("events", "last").code == 0

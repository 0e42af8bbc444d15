"""`serve` and `demo` refuse at once what can never work, and say when no browser was opened."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from livesense.cli import demo, logbooks, page

Command = Callable[..., Any]


def foreign_text(path: Path) -> None:
    path.write_text("scan,time_s\n" * 900, encoding="utf-8")


def foreign_database(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE other (x)")
    connection.close()


def newer_logbook(path: Path) -> None:
    from livesense.logbook.writer import LogbookWriter

    LogbookWriter(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 9999")
    connection.close()


PAGE = ["--no-browser", "--port", "0"]
ANY_COMMAND = [
    ["serve", *PAGE], ["demo", *PAGE], ["record", "b.toml", "--port", "file:b.toml", "--json"],
    ["runs", "--json"], ["show", "--json"], ["measure"], ["events"], ["export", "--out", "x.csv"],
]  # fmt: skip


@pytest.mark.parametrize("make", [Path.mkdir, foreign_text, foreign_database, newer_logbook])
@pytest.mark.parametrize("command", ANY_COMMAND, ids=lambda command: command[0])
def test_what_is_no_logbook_is_refused_by_all_commands_alike(
    livesense: Command, tmp_path: Path, make: Callable[[Path], None], command: list[str]
) -> None:
    make(tmp_path / "thing.db")
    assert livesense("init", "b.toml").code == 0
    answer = livesense(*command, "--logbook", "thing.db")
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.startswith("livesense: ")
    assert "thing.db: expected a " in answer.err
    assert answer.err.count("\n") == 1
    assert answer.err.count("; ") <= 2
    assert answer.err.count("name ") <= 1


@pytest.mark.parametrize("command", ANY_COMMAND[:3], ids=lambda command: command[0])
def test_a_logbook_in_no_folder_or_without_a_name_is_refused(
    livesense: Command, tmp_path: Path, command: list[str]
) -> None:
    assert livesense("init", "b.toml").code == 0
    answer = livesense(*command, "--logbook", "nowhere/x.db")
    assert (answer.code, answer.out) == (2, "")
    assert "there is no folder nowhere; make it" in answer.err
    answer = livesense(*command, "--logbook", "")
    assert (answer.code, answer.out) == (2, "")
    assert "expected the name of a file, got an empty one" in answer.err


def test_a_logbook_that_may_come_is_waited_for(tmp_path: Path) -> None:
    logbooks.usable_logbook(tmp_path / "later.db")
    (tmp_path / "empty.db").touch()
    logbooks.usable_logbook(tmp_path / "empty.db")


@pytest.mark.parametrize("command", ["serve", "demo"])
@pytest.mark.parametrize("port", ["99999", "-1", "x", "65536"])
def test_ports_out_of_range_are_wrong_use(livesense: Command, command: str, port: str) -> None:
    answer = livesense(command, f"--port={port}")
    assert (answer.code, answer.out) == (2, "")
    assert "expected a TCP port from 0" in answer.err


@pytest.mark.parametrize("option", [("--scenario", "foo"), ("--seed=-1",)])
def test_demo_refuses_a_wrong_choice_in_one_message(livesense: Command, option: tuple[str, ...]) -> None:
    answer = livesense("demo", *option)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.count("\n") == 1


@pytest.mark.parametrize("command", ["demo", "simulate"])
def test_help_lists_the_scenarios(livesense: Command, command: str) -> None:
    said = livesense(command, "--help").out
    assert "bring-up" in said
    assert "overload" in said


@pytest.mark.skipif(sys.platform in {"win32", "darwin"}, reason="these always have a screen")
def test_without_a_screen_the_address_is_printed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("webbrowser.open", lambda url: pytest.fail("nothing may be opened here"))
    page.open_browser("http://127.0.0.1:1/?token=x")
    said = capsys.readouterr().out
    assert "No browser was opened" in said
    assert "http://127.0.0.1:1/?token=x" in said


@pytest.mark.parametrize(("code", "ends"), [(3, True), (0, False)])
def test_only_a_child_that_fails_ends_the_demo(
    monkeypatch: pytest.MonkeyPatch, code: int, ends: bool
) -> None:
    asked: list[bool] = []
    died: list[str] = []
    monkeypatch.setattr("_thread.interrupt_main", lambda: asked.append(True))
    child = subprocess.Popen([sys.executable, "-c", f"raise SystemExit({code})"], text=True)
    demo._watch("recorder", child, died).join()
    assert (died, asked) == ((["recorder"], [True]) if ends else ([], []))

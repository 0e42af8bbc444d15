"""`verify`, `copy`, `delete` and `compact` as they are used, answer and refuse."""

from __future__ import annotations

import io
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, note_frame
from scripting_page import in_examples, keys, sections

from livesense.cli.progress import BAR_SIGNS, bar, progress

Command = Callable[..., Any]

MORE = """
[[channel]]
name = "vbus"
phase = "bus"
sensor = "divider"
ratio = 11
ratio_tolerance = "0.5 %"
[[watch]]
kind = "overcurrent"
channels = ["iu"]
limit = "1 A"
"""

COMMANDS = (("verify",), ("copy", "1", "--to", "other.db"), ("delete", "1", "--yes"), ("compact",))


@pytest.fixture
def run(recorded: Callable[..., Any], livesense: Command) -> None:
    """A run with a loss, a restart, notes, events and a fault, in livesense.db."""
    fast = Sender(channels=("iu", "iv", "iw", "vbus"))
    described = description_frame([group(fast.channels)], boot="first")
    stream = described + note_frame("booted") + b"".join(fast.packet(400) for _ in range(60))
    fast.skip(10)
    stream += fast.packet(400) + description_frame([group(fast.channels)], boot="again")
    again = Sender(channels=fast.channels)
    recorded(stream + again.packet(400) + b"\x01\x02\x00", bench_text(more=MORE))


@pytest.mark.usefixtures("run")
def test_a_recording_is_sound(livesense: Command) -> None:
    answer = livesense("verify")
    assert (answer.code, answer.err) == (0, "")
    assert answer.out.splitlines()[0].split() == ["run", "state", "scans", "lost", "blocks", "pages"]
    assert answer.out.splitlines()[1].split()[:5] == ["1", "complete", "24800", "10", "8"]
    assert answer.out.endswith("livesense.db: sound\n")
    facts = livesense("verify", "--json").json
    assert (facts["ok"], facts["findings"], facts["more"]) == (True, [], 0)
    assert (facts["runs"][0]["scans"], facts["runs"][0]["ok"]) == (24800, True)


@pytest.mark.usefixtures("run")
def test_damage_is_named_with_its_place_and_what_to_do(livesense: Command, tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "livesense.db")) as db:
        db.execute("UPDATE block SET crc32 = crc32 + 1 WHERE position = 2 AND first = 0")
        db.commit()
    answer = livesense("verify")
    assert answer.code == 1
    assert "run 1, group 0, iw, scans 0 to " in answer.out
    assert "do not match their checksum" in answer.out
    assert "fetch them from an earlier copy" in answer.out
    assert answer.out.endswith("livesense.db: 1 finding\n")
    facts = livesense("verify", "--run", "last", "--json")
    assert facts.code == 1
    (finding,) = facts.json["findings"]
    assert (finding["kind"], finding["run"], finding["group"], finding["channel"]) == ("damaged", 1, 0, "iw")
    assert set(keys(facts.json)) == in_examples(sections()["verify"])


@pytest.mark.usefixtures("run")
def test_the_copy_gives_the_same_answers(livesense: Command) -> None:
    facts = livesense("copy", "last", "--to", "other.db", "--json").json
    assert (facts["from_run"], facts["run"], facts["created"]) == (1, 1, True)
    assert set(keys(facts)) == in_examples(sections()["copy"])
    assert livesense("verify", "--logbook", "other.db").code == 0
    for words in (
        ("show", "1", "--json"),
        ("measure", "1", "--json"),
        ("events", "1", "--json"),
        ("runs", "--json"),
    ):
        here, there = livesense(*words), livesense(*words, "--logbook", "other.db")
        assert here.code == there.code == 0
        assert here.json == there.json
    assert livesense("events", "1", "--json").json["events"]
    codes = [
        livesense("export", "1", "--codes", "--out", "-", "--logbook", name)
        for name in ("livesense.db", "other.db")
    ]
    assert codes[0].out == codes[1].out
    assert len(codes[0].out.splitlines()) == 24801
    assert "Run 1 is run 2 of other.db" in livesense("copy", "1", "--to", "other.db").out
    here = livesense("measure", "1", "--json").json
    assert livesense("measure", "2", "--json", "--logbook", "other.db").json == here | {"run": 2}


@pytest.mark.usefixtures("run")
def test_delete_and_compact(livesense: Command, tmp_path: Path) -> None:
    livesense("copy", "1", "--to", "livesense2.db")
    livesense("copy", "1", "--to", "livesense2.db")
    size = (tmp_path / "livesense2.db").stat().st_size
    facts = livesense("delete", "1", "--yes", "--logbook", "livesense2.db", "--json").json
    assert (facts["runs"], facts["leftover_rows"]) == ([1], 0)
    assert set(keys(facts)) == in_examples(sections()["delete"])
    assert [row["run"] for row in livesense("runs", "--logbook", "livesense2.db", "--json").json["runs"]] == [
        2
    ]
    facts = livesense("compact", "--logbook", "livesense2.db", "--json").json
    assert set(keys(facts)) == in_examples(sections()["compact"])
    assert facts["before_bytes"] >= size > facts["after_bytes"] == (tmp_path / "livesense2.db").stat().st_size
    said = livesense("delete", "2", "--yes", "--logbook", "livesense2.db").out
    assert said.startswith("Deleted run 2: ")
    assert "`livesense compact` gives them back" in said
    assert "before, " in livesense("compact", "--logbook", "livesense2.db").out
    assert livesense("verify", "--logbook", "livesense2.db").code == 0


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.usefixtures("run")
@pytest.mark.parametrize(("said", "code"), [("y\n", 0), ("\n", 1), ("n\n", 1), ("", 1)])
def test_a_terminal_is_asked(
    livesense: Command, monkeypatch: pytest.MonkeyPatch, said: str, code: int
) -> None:
    shown = Terminal()
    with monkeypatch.context() as patch:
        patch.setattr(sys, "stdin", Terminal(said))
        patch.setattr(sys, "stderr", shown)
        answer = livesense("delete", "1")
    assert answer.code == code
    assert "Delete this run for good? [y/N]" in shown.getvalue()
    assert "run 1  20" in shown.getvalue()
    assert len(livesense("runs", "--json").json["runs"]) == (1 if code else 0)
    assert ("nothing was deleted" in shown.getvalue()) is bool(code)


@pytest.mark.usefixtures("run")
def test_nobody_is_asked_where_nobody_sits(livesense: Command) -> None:
    answer = livesense("delete", "1")
    assert (answer.code, answer.out) == (2, "")
    assert "expected --yes" in answer.err
    assert livesense("runs", "--json").json["runs"]


@pytest.mark.parametrize("words", COMMANDS)
def test_no_logbook(livesense: Command, tmp_path: Path, words: tuple[str, ...]) -> None:
    answer = livesense(*words)
    assert (answer.code, answer.out) == (1, "")
    assert "there is no logbook 'livesense.db'" in answer.err
    (tmp_path / "livesense.db").write_text("hello " * 2000)
    answer = livesense(*words)
    assert (answer.code, answer.out) == (2, "")
    assert "found a file that is no database" in answer.err
    assert [entry.name for entry in tmp_path.iterdir()] == ["livesense.db"]


@pytest.mark.usefixtures("run")
@pytest.mark.parametrize("words", COMMANDS)
def test_a_newer_logbook(livesense: Command, tmp_path: Path, words: tuple[str, ...]) -> None:
    with closing(sqlite3.connect(tmp_path / "livesense.db")) as db:
        db.execute("PRAGMA user_version = 77")
    answer = livesense(*words)
    assert (answer.code, answer.out) == (2, "")
    assert "a newer livesense wrote it" in answer.err


@pytest.mark.usefixtures("run")
@pytest.mark.parametrize("words", [("delete", "1", "--yes"), ("compact",), ("copy", "1", "--to", "other.db")])
def test_a_locked_logbook(
    livesense: Command, tmp_path: Path, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    from livesense.logbook import connection

    livesense("copy", "1", "--to", "other.db")
    livesense("copy", "1", "--to", "other.db")
    livesense("delete", "2", "--yes", "--logbook", "other.db")
    monkeypatch.setattr(connection, "BUSY_S", 0.01)
    monkeypatch.setattr(connection, "PATIENCE_S", 0.02)
    with closing(sqlite3.connect(tmp_path / "other.db", isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        answer = livesense(*words) if words[0] == "copy" else livesense(*words, "--logbook", "other.db")
    assert (answer.code, answer.out) == (1, "")
    assert "kept the logbook locked" in answer.err


@pytest.mark.usefixtures("run")
@pytest.mark.parametrize(
    "words", [("copy", "7", "--to", "other.db"), ("delete", "7", "--yes"), ("verify", "--run", "7")]
)
def test_no_such_run(livesense: Command, tmp_path: Path, words: tuple[str, ...]) -> None:
    answer = livesense(*words)
    assert (answer.code, answer.out) == (1, "")
    assert "expected one of its runs (newest: 1), got 7" in answer.err
    assert not (tmp_path / "other.db").exists()


def test_progress_draws_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    for stream, quiet, drawn in (
        (Terminal(), False, True),
        (Terminal(), True, False),
        (io.StringIO(), False, False),
    ):
        monkeypatch.setattr(sys, "stderr", stream)
        with progress(quiet=quiet) as tell:
            tell("run 1", 30, 60)
        assert ("50 %  run 1" in stream.getvalue()) is drawn
        assert stream.getvalue().endswith("\x1b[2K") is drawn


def test_the_bar() -> None:
    assert bar("run 1", 0, 10) == f"[{'.' * BAR_SIGNS}]   0 %  run 1"
    assert bar("run 1", 12, 10) == f"[{'#' * BAR_SIGNS}] 100 %  run 1"
    assert bar("looking", 0, 0) == "looking …"


@pytest.mark.usefixtures("run")
@pytest.mark.skipif(os.name == "nt", reason="Windows cannot send a signal to one process only")
@pytest.mark.parametrize("words", COMMANDS)
def test_ctrl_c_ends_it_cleanly(tmp_path: Path, livesense: Command, words: tuple[str, ...]) -> None:
    # The signal comes as soon as the work tells how far it is, whenever that may be.
    code = (
        "import os, signal, sys\n"
        "from livesense.cli import progress as module\n"
        "from contextlib import contextmanager\n"
        "inner = module.progress\n"
        "@contextmanager\n"
        "def asked(*, quiet=False):\n"
        "    with inner(quiet=quiet) as tell:\n"
        "        os.kill(os.getpid(), signal.SIGTERM)\n"
        "        yield tell\n"
        "module.progress = asked\n"
        "from livesense.cli.main import main\n"
        "raise SystemExit(main(sys.argv[1:]))\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 130
    assert "Traceback" not in ended.stderr
    assert not [entry for entry in tmp_path.iterdir() if entry.name.startswith("other.db")]
    assert [row["run"] for row in livesense("runs", "--json").json["runs"]] == [1]
    assert livesense("verify").code == 0

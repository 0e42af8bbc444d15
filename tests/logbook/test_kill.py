"""A recorder that is killed at any moment leaves a whole logbook behind."""

from __future__ import annotations

import importlib.util
import random
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from livesense.logbook.reader import Logbook
from livesense.logbook.verify import verify
from livesense.logbook.writer import LogbookWriter

SCRIPT = Path(__file__).with_name("killed_recorder.py")


def _codes_at(first: int, count: int) -> np.ndarray:
    spec = importlib.util.spec_from_file_location("killed_recorder", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    codes: np.ndarray = module.codes_at(first, count)
    return codes


def kill_one(path: Path, after_commits: int, then: random.Random, *options: str) -> int:
    """Start a recorder, kill it between two commits or amid one; what it said it had committed."""
    command = [sys.executable, str(SCRIPT), str(path), *options]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    with child.stdout:
        for _ in range(after_commits):
            said = child.stdout.readline()
        # A busy moment of random length, so that the kill falls anywhere in a commit.
        for _ in range(then.randrange(200_000)):
            pass
        child.kill()
        rest = child.stdout.read()
    child.wait()
    lines = [line for line in rest.split("\n")[:-1] if line] or [said.strip()]
    return int(lines[-1])


def check_run(book: Logbook, number: int, committed: int) -> None:
    reader = book.run(number)
    assert reader.row.state == "recovered"
    lost = sum(gap.count or 0 for gap in reader.gaps(0))
    last = reader.extent(0)[1]
    # One commit more may have been made than the recorder came to tell of.
    assert committed <= last + 10
    assert last <= committed + 1010
    assert reader.scans_stored(0) + lost in (last, last + 10)
    index = 0
    gaps = {gap.first: gap.count or 0 for gap in reader.gaps(0)}
    for first, codes in reader.codes(0, 0, 1 << 40):
        index += gaps.get(index, 0)
        assert first == index
        assert np.array_equal(codes, _codes_at(first, len(codes)))
        index = first + len(codes)
    assert index == last
    found = reader.envelope(0, "iv", 0, last, 50)
    assert int(found.n.sum()) == reader.scans_stored(0)
    assert np.array_equal(reader.latest(0, 500)[1], _codes_at(last - 500, 500))


def kill_and_check(path: Path, repeats: int, seed: int) -> None:
    then = random.Random(seed)
    committed = [kill_one(path, then.randrange(1, 400), then) for _ in range(repeats)]
    with Logbook(path) as book:
        assert [run.state for run in book.runs()] == ["recovered"] * repeats
        for number, count in enumerate(committed, start=1):
            check_run(book, number, count)
        assert book.select("PRAGMA integrity_check") == [("ok",)]
        assert book.select("PRAGMA foreign_key_check") == []
    assert list(path.parent.glob("*.lock"))
    LogbookWriter(path).close()
    assert not list(path.parent.glob("*.lock"))
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(*) FROM run").fetchone() == (repeats,)


def test_killed_at_random_moments(path: Path) -> None:
    kill_and_check(path, 3, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2, 7))
def test_killed_many_times(path: Path, seed: int) -> None:
    kill_and_check(path, 8, seed)


def test_a_live_recorder_is_told_from_a_dead_one_by_many_lookers(path: Path) -> None:
    child = subprocess.Popen([sys.executable, str(SCRIPT), str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    with child.stdout:
        child.stdout.readline()
        for _ in range(8):
            with Logbook(path) as one, Logbook(path) as other:
                assert (one.run(1).row.state, other.run(1).row.state) == ("recording", "recording")
        child.kill()
        child.stdout.read()
    child.wait()
    for _ in range(8):
        with Logbook(path) as one, Logbook(path) as other:
            assert (one.run(1).row.state, other.run(1).row.state) == ("recovered", "recovered")


def kill_while_dropping(path: Path, repeats: int, seed: int) -> None:
    """Kill recorders that drop raw scans of more than ten seconds all the time."""
    then = random.Random(seed)
    for number in range(1, repeats + 1):
        committed = kill_one(path, then.randrange(400, 1500), then, "10")
        report = verify(path, number, lambda *_: None)
        assert report.findings == ()
        with Logbook(path) as book:
            run = book.run(number)
            assert run.row.state == "recovered"
            (last,) = (run.extent(0)[1],)
            assert committed <= last + 10
            assert last <= committed + 1010
            lost = sum(gap.count or 0 for gap in run.gaps(0))
            assert run.scans_stored(0) + lost in (last, last + 10)
            assert run.scans_dropped(0) > 0
            for first, codes in run.codes(0, 0, 1 << 40):
                assert np.array_equal(codes, _codes_at(first, len(codes)))
            assert int(run.envelope(0, "iv", 0, last, 50).n.sum()) == run.scans_stored(0)
            # Of each event whose surroundings are complete by now nothing is missing.
            dropped = run.dropped(0)
            for row in run.events():
                begin, end = row.event.start_scan - 1000, (row.event.end_scan or 0) + 1001
                assert all(part.stop <= begin or part.first >= end for part in dropped)
            assert book.select("PRAGMA integrity_check") == [("ok",)]


@pytest.mark.slow
def test_killed_while_old_scans_are_dropped(path: Path) -> None:
    kill_while_dropping(path, 1, seed=1)


@pytest.mark.slow
def test_killed_many_times_while_old_scans_are_dropped(path: Path) -> None:
    kill_while_dropping(path, 12, seed=2)

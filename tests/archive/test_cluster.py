"""Real schedulers and worker processes: the same answers, also when one of the workers dies amid the work."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from outside_reader import outside_reader

from livesense.archive.questions import Archive, Chosen
from livesense.archive.workers import Where, computing

pytestmark = pytest.mark.slow

Command = Callable[..., Any]
PATIENCE_S = 120


@pytest.fixture
def processes() -> Iterator[list[subprocess.Popen[str]]]:
    started: list[subprocess.Popen[str]] = []
    yield started
    for process in started:
        process.kill()
        process.wait()
        assert process.stderr is not None
        process.stderr.close()


def dask(processes: list[subprocess.Popen[str]], *words: str) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", *words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    processes.append(process)
    return process


@pytest.fixture
def scheduler(processes: list[subprocess.Popen[str]]) -> str:
    """A scheduler as a user starts one, on loopback."""
    outside_reader("distributed")
    process = dask(processes, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
    assert process.stderr is not None
    for line in process.stderr:
        found = re.search(r"Scheduler at:\s+(tcp://\S+)", line)
        if found:
            return found.group(1)
    raise AssertionError("the scheduler ended")


def worker(processes: list[subprocess.Popen[str]], scheduler: str) -> subprocess.Popen[str]:
    process = dask(
        processes,
        "worker",
        scheduler,
        "--host",
        "127.0.0.1",
        "--nthreads",
        "1",
        "--no-nanny",
        "--no-dashboard",
    )
    assert process.stderr is not None
    for line in process.stderr:
        if "Registered to" in line:
            return process
    raise AssertionError("the worker ended")


def ask(dataset: Path, where: Where, tell: Callable[[str, int, int], None]) -> str:
    with computing(where) as workers:
        archive = Archive(str(dataset), Chosen(), workers, tell)
        found = [archive.summary(figures=True), archive.events(), archive.trend("channels.iu.rms", 0.05)]
    return json.dumps(found)


def quiet(what: str, done: int, total: int) -> None:
    pass


def test_two_workers_of_which_one_is_killed_amid_the_work(
    dataset: Path, scheduler: str, processes: list[subprocess.Popen[str]]
) -> None:
    alone = ask(dataset, Where(workers=0), quiet)
    first, second = worker(processes, scheduler), worker(processes, scheduler)
    killed: list[tuple[str, int]] = []

    def tell(what: str, done: int, total: int) -> None:
        # Amid the windows of the trend, when some are done and most are not.
        if what == "measuring" and total > 20 and done == 5 and not killed:
            first.kill()
            first.wait()
            killed.append((what, done))

    spread = ask(dataset, Where(scheduler=scheduler), tell)
    assert killed
    assert first.poll() is not None
    assert second.poll() is None
    assert spread == alone


def test_workers_on_this_computer_are_reached_through_loopback_only_and_give_the_same(
    dataset: Path, tmp_path: Path
) -> None:
    psutil = outside_reader("psutil")
    outside_reader("cryptography")
    alone = ask(dataset, Where(workers=0), quiet)
    listening: set[str] = set()

    def tell(what: str, done: int, total: int) -> None:
        me = psutil.Process()
        for process in [me, *me.children(recursive=True)]:
            try:
                found = process.net_connections(kind="tcp")
            except psutil.Error:
                continue
            listening.update(c.laddr.ip for c in found if c.status == psutil.CONN_LISTEN)

    assert ask(dataset, Where(workers=2), tell) == alone
    assert listening == {"127.0.0.1"}


def test_the_command_with_its_own_workers(dataset: Path, livesense: Command) -> None:
    outside_reader("cryptography")
    alone = livesense("archive", "summary", dataset, "--workers", "0", "--json").json
    command = [
        sys.executable,
        "-m",
        "livesense.cli.main",
        "archive",
        "summary",
        str(dataset),
        "--workers",
        "2",
        "--json",
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S, check=True)
    assert json.loads(done.stdout) == alone


def test_an_error_of_a_worker_is_told_in_words(
    dataset: Path, scheduler: str, processes: list[subprocess.Popen[str]], livesense: Command
) -> None:
    worker(processes, scheduler)
    next(dataset.rglob("group-0-*.parquet")).write_bytes(b"PAR1 and nothing else")
    answer = livesense("archive", "summary", dataset, "--scheduler", scheduler)
    assert (answer.code, answer.out) == (1, "")
    assert "expected a Parquet file that is whole" in answer.err


def test_a_scheduler_that_is_not_there(
    dataset: Path, livesense: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    from livesense.archive import workers

    monkeypatch.setattr(workers, "WAIT_S", 1)
    began_s = time.monotonic()
    answer = livesense("archive", "summary", dataset, "--scheduler", "tcp://127.0.0.1:9")
    assert (answer.code, answer.out) == (2, "")
    assert "expected a Dask scheduler" in answer.err
    assert time.monotonic() - began_s < PATIENCE_S

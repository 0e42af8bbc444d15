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


def said(process: subprocess.Popen[str], pattern: str) -> str:
    """Wait for a line of its log, and take out what is looked for."""
    assert process.stderr is not None
    lines = []
    for line in process.stderr:
        lines.append(line)
        found = re.search(pattern, line)
        if found:
            return found.group(1)
    raise AssertionError(f"it ended: {''.join(lines[-20:])}")


@pytest.fixture
def scheduler(processes: list[subprocess.Popen[str]]) -> str:
    """A scheduler as a user starts one, on loopback."""
    outside_reader("distributed")
    process = dask(processes, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard")
    return said(process, r"Scheduler at:\s+(tcp://\S+)")


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
    said(process, "(Registered to)")
    return process


def certificates(folder: Path) -> dict[str, Path]:
    """An authority of one's own, and a key signed by it, as docs/archive.md wants them."""
    from datetime import UTC, datetime, timedelta

    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    now = datetime.now(UTC)

    def signed(name: str, authority: Any = None, by: Any = None) -> tuple[Any, Any]:
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
        made = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(subject if authority is None else authority.subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(hours=1))
            .not_valid_after(now + timedelta(hours=1))
            .add_extension(x509.BasicConstraints(ca=authority is None, path_length=None), critical=True)
            .sign(by or key, hashes.SHA256())
        )
        return made, key

    authority, authority_key = signed("authority")
    mine, my_key = signed("bench", authority, authority_key)
    places = {name: folder / f"{name}.pem" for name in ("ca", "cert", "key")}
    places["ca"].write_bytes(authority.public_bytes(serialization.Encoding.PEM))
    places["cert"].write_bytes(mine.public_bytes(serialization.Encoding.PEM))
    places["key"].write_bytes(
        my_key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return places


def test_a_scheduler_with_tls(
    dataset: Path, tmp_path: Path, processes: list[subprocess.Popen[str]], livesense: Command
) -> None:
    outside_reader("distributed")
    outside_reader("cryptography")
    files = certificates(tmp_path)
    keys = [
        "--tls-ca-file",
        str(files["ca"]),
        "--tls-cert",
        str(files["cert"]),
        "--tls-key",
        str(files["key"]),
    ]
    process = dask(
        processes,
        "scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        "0",
        "--no-dashboard",
        "--protocol",
        "tls",
        *keys,
    )
    address = said(process, r"Scheduler at:\s+(tls://\S+)")
    helper = dask(
        processes,
        "worker",
        address,
        "--nthreads",
        "1",
        "--no-nanny",
        "--no-dashboard",
        "--protocol",
        "tls",
        *keys,
    )
    said(helper, "(Registered to)")
    mine = ["--tls-ca", files["ca"], "--tls-cert", files["cert"], "--tls-key", files["key"]]
    spread = livesense("archive", "summary", dataset, "--scheduler", address, *mine, "--json")
    assert spread.code == 0, spread.err
    assert "not encrypted" not in spread.err
    assert spread.json == livesense("archive", "summary", dataset, "--workers", "0", "--json").json


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


def test_a_script_without_a_guard_may_ask(dataset: Path, tmp_path: Path) -> None:
    outside_reader("cryptography")
    script = tmp_path / "ask.py"
    script.write_text(
        "from livesense.archive.questions import Archive, Chosen\n"
        "from livesense.archive.workers import Where, computing\n"
        "with computing(Where(workers=1)) as workers:\n"
        f"    archive = Archive({str(dataset)!r}, Chosen(), workers, lambda what, done, total: None)\n"
        "    print(archive.events()['count'])\n"
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=PATIENCE_S, check=True
    )
    assert done.stdout.split() == ["3"]

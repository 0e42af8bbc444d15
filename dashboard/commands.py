"""livesense's own commands as processes: an argument list each, never a shell, and ended with the page.

The page opens no port: who listens is a process of its own, and can die without hurting the page.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
from typing import Any

from livesense.errors import UsageError

LARGEST_OUTPUT = 4 << 20
PORTS_S = 30.0
CHECK_S = 120.0
IDENTIFY_S = 90.0
"""So long a command may take; a busy computer needs seconds to begin one."""

_PREFIX = re.compile(r"^livesense(?: [a-z]+)?: ")


def words(*arguments: str) -> list[str]:
    """Argument list of a livesense command."""
    return [sys.executable, "-m", "livesense.cli.main", *arguments]


def spawn(arguments: list[str], *, keep_output: bool) -> subprocess.Popen[bytes]:
    """Start a process in a group of its own, so that an end of the page does not reach it."""
    return subprocess.Popen(
        arguments,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE if keep_output else subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        start_new_session=os.name == "posix",
    )


def end_politely(process: subprocess.Popen[bytes]) -> None:
    """Ask a process to end as Ctrl-C would; it may take its time."""
    with contextlib.suppress(OSError):
        process.send_signal(getattr(signal, "CTRL_BREAK_EVENT", signal.SIGTERM))


def said(stderr: bytes) -> str:
    """Read what a command said at its end, without its name."""
    lines = [line.strip() for line in stderr[-8192:].decode("utf-8", "replace").splitlines() if line.strip()]
    return _PREFIX.sub("", lines[-1]) if lines else ""


class Commands:
    """Commands that answer once; one of each name at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ended = threading.Condition(self._lock)
        self._running: dict[str, subprocess.Popen[bytes] | None] = {}
        self._closed = threading.Event()

    def ask(
        self, name: str, *arguments: str, patience_s: float, code: tuple[int, ...] = (0,)
    ) -> dict[str, Any]:
        """Run a command with ``--json`` and hand back what it printed.

        Where it is running already for somebody else, that is waited for.

        Raises
        ------
        UsageError
            with the command's own words where it failed; also where it runs already for too long.
        """
        with self._ended:
            free = self._ended.wait_for(
                lambda: self._closed.is_set() or name not in self._running, patience_s
            )
            if not free or self._closed.is_set():
                raise UsageError(f"{name} is running already: try again when it has answered")
            self._running[name] = None
        try:
            process = spawn(words(name, "--json", *arguments), keep_output=True)
            with self._lock:
                self._running[name] = process
                if self._closed.is_set():
                    process.kill()
            try:
                out, err = process.communicate(timeout=patience_s)
            except subprocess.TimeoutExpired as error:
                process.kill()
                process.communicate()
                raise UsageError(f"{name} gave no answer within {patience_s:.0f} s") from error
            if process.returncode not in code or not out:
                raise UsageError(said(err) or f"{name} ended with {process.returncode}")
            return _object(name, out)
        except OSError as error:
            raise UsageError(f"{name} cannot be started: {error.strerror or error}") from error
        finally:
            with self._ended:
                self._running.pop(name, None)
                self._ended.notify_all()

    def close(self) -> None:
        """End what still runs; nothing can be asked afterwards."""
        with self._lock:
            self._closed.set()
            self._ended.notify_all()
            for process in self._running.values():
                if process is not None and process.poll() is None:
                    process.kill()


def _object(name: str, out: bytes) -> dict[str, Any]:
    if len(out) > LARGEST_OUTPUT:
        raise UsageError(f"{name} answered with more than {LARGEST_OUTPUT} bytes")
    try:
        facts = json.loads(out)
    except ValueError as error:
        raise UsageError(f"{name} answered with something else than JSON") from error
    if not isinstance(facts, dict):
        raise UsageError(f"{name} answered with something else than an object")
    return facts

"""``livesense demo``: simulator → TCP → recorder → logbook → live page, in three processes."""

from __future__ import annotations

import _thread
import argparse
import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import IO

from livesense.cli.logbooks import existing_logbook, usable_logbook
from livesense.cli.main import CAUTION
from livesense.cli.options import DEFAULT_LOGBOOK, LOGBOOK_VARIABLE, file_name, seed, tcp_port
from livesense.cli.page import open_browser
from livesense.errors import LivesenseError, UsageError

STOP_LIMIT_S = 10.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    from simulator.trouble import SCENARIOS

    parser.add_argument(
        "--scenario", default="bring-up", choices=sorted(SCENARIOS), help="what is played (default bring-up)"
    )
    parser.add_argument("--seed", type=seed, default=1, help="seed of the simulated noise (default 1)")
    parser.add_argument(
        "--port", type=tcp_port, default=0, help="TCP port of the page (default: any free one)"
    )
    parser.add_argument(
        "--logbook", metavar="FILE", type=file_name, help="where to record (default: a new temporary file)"
    )
    parser.add_argument(
        "--replay", metavar="RUN", help="play a recorded run instead: the demo when hardware fails"
    )
    parser.add_argument(
        "--of",
        metavar="FILE",
        type=file_name,
        help=f"logbook that holds it (default: ${LOGBOOK_VARIABLE}, else {DEFAULT_LOGBOOK})",
    )
    parser.add_argument("--no-browser", action="store_true", help="do not open the browser")


def run(args: argparse.Namespace) -> int:
    """Run the demo until Ctrl-C."""
    if args.logbook is not None:
        usable_logbook(args.logbook)
    if args.of is not None and args.replay is None:
        raise UsageError("--of names the logbook of a run to play: say which with --replay RUN")
    from dashboard.app import Settings, serve
    from simulator.main import BENCH

    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(ignore_cleanup_errors=True)))
        logbook = folder / "demo.db" if args.logbook is None else args.logbook
        bench = folder / BENCH.name
        if args.replay is not None:
            of = ["--logbook", str(existing_logbook(args.of))]
            player, name = "replay", f"replay of run {args.replay}"
            command = ["replay", args.replay, "--loop", "--bench-out", str(bench), *of]
        else:
            # A copy: the page may edit it.
            bench.write_bytes(BENCH.read_bytes())
            player, name = "simulator", f"demo: {args.scenario}"
            command = ["simulate", "--scenario", args.scenario, "--seed", str(args.seed)]
        simulator = stack.enter_context(_child([*command, "--outlet", "tcp:0"]))
        address = _announced_address(player, simulator)
        recorder = stack.enter_context(
            _child(
                ["record", str(bench), "--port", address, "--wait", "--logbook", str(logbook), "--quiet"],
                ["--name", name],
            )
        )
        _drain(simulator.stdout)
        _drain(recorder.stdout)
        if args.replay is None:
            print("A simulated 24 V coolant pump is running; nothing is connected to this computer.")
        else:
            print(f"Run {args.replay} is played again and again; nothing is connected to this computer.")
        kept = "" if args.logbook else " (gone after Ctrl-C)"
        print(f"{player.capitalize()} at {address}, recorder writes {logbook}{kept}")
        print(CAUTION, flush=True)

        def ready(url: str) -> None:
            print(f"\nLive page: {url}\nCtrl-C ends the demo.", flush=True)
            for name, child in ((player, simulator), ("recorder", recorder)):
                _watch(name, child, died)
            if not args.no_browser:
                open_browser(url)

        died: list[str] = []
        serve(Settings(logbook=logbook, port=args.port, benches=(bench,), links=(address,)), ready)
        # The children are ended below, and not by themselves.
        gone = list(died)
    if gone:
        print(
            f"livesense: demo: the {gone[0]} failed, so nothing new could come; demo ended", file=sys.stderr
        )
        return 1
    print("Demo ended.")
    return 0


def _watch(name: str, child: subprocess.Popen[str], died: list[str]) -> threading.Thread:
    """End the demo when a child fails: a page that shows nothing new would look like a quiet motor.

    A recorder that was asked to stop, from the page, ends well; its run can still be looked at.
    """

    def wait() -> None:
        if child.wait() != 0:
            died.append(name)
            _thread.interrupt_main()

    thread = threading.Thread(target=wait, daemon=True)
    thread.start()
    return thread


@contextlib.contextmanager
def _child(*arguments: list[str]) -> Iterator[subprocess.Popen[str]]:
    """Start a livesense command as a process of its own; end it cleanly afterwards."""
    # A group of its own keeps Ctrl-C from reaching it twice, and lets Windows send CTRL_BREAK to it alone.
    flags = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
    process = subprocess.Popen(
        [sys.executable, "-m", "livesense.cli.main", *chain(*arguments)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        creationflags=flags,
        start_new_session=os.name == "posix",
    )
    try:
        yield process
    finally:
        with contextlib.suppress(OSError):
            process.send_signal(getattr(signal, "CTRL_BREAK_EVENT", signal.SIGTERM))
        try:
            process.wait(STOP_LIMIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()


def _announced_address(player: str, simulator: subprocess.Popen[str]) -> str:
    """Read the address that the simulator prints as the last word of its first line."""
    assert simulator.stdout is not None
    line = simulator.stdout.readline()
    words = [word.rstrip(".,") for word in line.split() if word.startswith("socket://")]
    if not words:
        raise LivesenseError(f"the {player} did not start: expected its address, got {line.strip()!r}")
    return words[0]


def _drain(stream: IO[str] | None) -> None:
    """Read and drop what a child prints, so that a full pipe never stops it."""
    if stream is not None:
        threading.Thread(target=lambda: [None for _ in stream], daemon=True).start()

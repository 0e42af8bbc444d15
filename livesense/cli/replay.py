"""``livesense replay RUN``: a recorded run out of a TCP port, a pty or into a file, as its device sent it."""

from __future__ import annotations

import argparse
import itertools
import threading
from pathlib import Path

from livesense.cli.ending import ending_signals
from livesense.cli.opened import opened_run
from livesense.cli.options import add_logbook, add_run, add_window, check_window, file_name
from livesense.errors import UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    parser.add_argument(
        "--outlet",
        default="tcp:0",
        metavar="WHERE",
        help="tcp:PORT (0: any free one), pty (not on Windows), or file:PATH (default tcp:0)",
    )
    parser.add_argument(
        "--speed",
        type=_speed,
        default=1.0,
        metavar="X",
        help="2: twice as fast as it was; max: as fast as it is taken (default 1; a file: max)",
    )
    parser.add_argument("--loop", action="store_true", help="begin again at the end, as after a power-on")
    parser.add_argument(
        "--bench-out", metavar="FILE", type=file_name, help="write the run's bench file, to record with"
    )
    add_window(parser)
    add_logbook(parser)


def run(args: argparse.Namespace) -> int:
    """Replay until its end or Ctrl-C."""
    check_window(args)
    from livesense.outlets import open_outlet
    from livesense.replay.playing import Sent, play
    from livesense.replay.timeline import Tape

    to_file = args.outlet.startswith("file:")
    if to_file and args.loop:
        raise UsageError("--loop fills a file for ever: leave it away, or name another outlet")
    speed = None if to_file else args.speed
    with opened_run(args) as analysis:
        tape = Tape(analysis, args.from_s, args.to_s)
        if tape.seconds <= 0:
            raise UsageError(f"expected a part of the run, got {args.from_s} s to {args.to_s} s")
        if args.bench_out is not None:
            _write(args.bench_out, analysis.bench.text)
        outlet = open_outlet(args.outlet)
        stop, sent = threading.Event(), Sent()
        with ending_signals(stop):
            try:
                print(f"run {analysis.run.row.number} on {outlet.address}", flush=True)
                if outlet.wait_for_receiver(stop):
                    for boot in itertools.count(1):
                        play(tape.pieces(boot=1000 * (boot - 1) + 1), outlet, stop, speed, sent)
                        if stop.is_set() or not args.loop:
                            break
            finally:
                outlet.close(stop)
        lost = f", {outlet.dropped_bytes} bytes not taken by a receiver" if outlet.dropped_bytes else ""
        print(f"sent {sent.scans} scans, {sent.seconds:.1f} s of the run{lost}", flush=True)
    return 0


def _speed(text: str) -> float | None:
    if text == "max":
        return None
    try:
        speed = float(text)
    except ValueError:
        speed = float("nan")
    if not 0.001 <= speed <= 1000:
        raise argparse.ArgumentTypeError(f"expected a speed such as 1, 0.5 or 10, or max, got {text!r}")
    return speed


def _write(path: Path, text: str) -> None:
    try:
        with open(path, "x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(f"{path}: is there already; name a file that is not, or move it away") from None
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be written ({error.strerror or error}); name another file"
        ) from error

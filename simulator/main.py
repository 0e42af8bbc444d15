"""The simulator's command: a coolant pump bench that streams like a microcontroller.

``livesense simulate`` and ``python -m simulator`` are the same.
"""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

from livesense.errors import LivesenseError, UsageError
from livesense.outlets import Outlet, open_outlet
from simulator.device import Device, Piece, Wire
from simulator.faults import parse_faults
from simulator.trouble import SCENARIOS
from simulator.truth import TruthWriter
from simulator.waveform import DriveKind
from simulator.world import World

BENCH = Path(__file__).with_name("benches") / "coolant-pump.toml"
"""The bench file that fits the simulated bench's nominal chain."""

RATES_HZ = (1000, 2000, 4000, 5000, 10_000, 20_000)
"""Scan rates: whole fractions of the pulse rate with whole scans in a tenth of a second."""

_BURST_S = (0.001, 0.008)
_LATE_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the simulator's options to a parser."""
    parser.add_argument(
        "--scenario",
        default="bring-up",
        choices=sorted(SCENARIOS),
        help="the story that is played (default bring-up)",
    )
    parser.add_argument(
        "--outlet",
        default="tcp:0",
        metavar="WHERE",
        help="tcp:PORT (0: any free one), pty, or file:PATH (default tcp:0)",
    )
    parser.add_argument(
        "--wire",
        default="framed",
        choices=[str(wire) for wire in Wire],
        help="how scans are sent (default framed)",
    )
    parser.add_argument(
        "--speed",
        default="real",
        choices=["real", "max"],
        help="real: paced like the link, for ever unless --duration; max: as fast as it goes, one story",
    )
    parser.add_argument("--duration", metavar="TIME", help="simulated time to send, such as 30s, 10m or 2h")
    parser.add_argument("--seed", type=int, default=1, help="same seed, same bytes (default 1)")
    parser.add_argument(
        "--drive",
        default="field-oriented",
        choices=[str(kind) for kind in DriveKind],
        help="how the drive shapes the currents (default field-oriented)",
    )
    parser.add_argument(
        "--rate",
        type=int,
        default=20_000,
        choices=RATES_HZ,
        metavar="HZ",
        help=f"scans a second: {_listed(RATES_HZ)}",
    )
    parser.add_argument(
        "--off-valley",
        type=float,
        default=0.0,
        metavar="US",
        help="shift the sampling from the valley of the pulses, in microseconds, -25 to 25: ripple shows",
    )
    parser.add_argument(
        "--truth", type=Path, metavar="PATH", help="write what really happened, as JSON lines"
    )
    parser.add_argument(
        "--truth-scans",
        type=Path,
        metavar="PATH",
        help="write the true values of every scan, as a NumPy .npy file",
    )
    parser.add_argument(
        "--link-fault",
        action="append",
        default=[],
        metavar="FAULT",
        help="drop=SHARE, corrupt=SHARE, duplicate=SHARE (of frames or lines), reset=SECONDS; repeatable",
    )


def _listed(values: Iterable[int]) -> str:
    return ", ".join(str(value) for value in values)


def run_arguments(args: argparse.Namespace) -> int:
    """Run with parsed options; returns the exit code."""
    return run(
        args.scenario,
        args.outlet,
        args.wire,
        args.speed,
        args.seed,
        args.truth,
        args.duration,
        truth_scans=args.truth_scans,
        drive=args.drive,
        rate_hz=args.rate,
        off_valley_us=args.off_valley,
        link_faults=args.link_fault,
    )


def run(
    scenario: str = "bring-up",
    outlet: str = "tcp:0",
    wire: str = "framed",
    speed: str = "real",
    seed: int = 1,
    truth: Path | str | None = None,
    duration: str | float | None = None,
    *,
    truth_scans: Path | str | None = None,
    drive: str = "field-oriented",
    rate_hz: int = 20_000,
    off_valley_us: float = 0.0,
    link_faults: Sequence[str] = (),
    stop: threading.Event | None = None,
    announce: Callable[[str], None] | None = None,
) -> int:
    """Play a scenario into an outlet; returns the exit code.

    The first line announced names the port that a receiver opens, as its last word.

    Parameters
    ----------
    duration
        Simulated time, seconds or a text such as ``"10m"``; None: one telling of the story
        at full speed, for ever in real time.
    stop
        Ends the run from another thread; signals set it too.
    announce
        Takes lines for the user; default: standard output.
    """
    stop = stop or threading.Event()
    announce = announce or _print_line
    try:
        with _ended_by_signals(stop):
            return _run(
                scenario,
                outlet,
                wire,
                speed,
                seed,
                None if truth is None else Path(truth),
                duration,
                None if truth_scans is None else Path(truth_scans),
                drive,
                rate_hz,
                off_valley_us,
                link_faults,
                stop,
                announce,
            )
    except LivesenseError as error:
        print(f"livesense: {error}", file=sys.stderr)
        return 2 if isinstance(error, UsageError) else 1
    except OSError as error:
        # A full disk under the stream or the truth; everything else is caught where it happens.
        print(f"livesense: simulator: cannot write: {error.strerror or error}", file=sys.stderr)
        return 1


def _run(
    scenario: str,
    outlet_text: str,
    wire: str,
    speed: str,
    seed: int,
    truth_path: Path | None,
    duration: str | float | None,
    scans_path: Path | None,
    drive: str,
    rate_hz: int,
    off_valley_us: float,
    link_faults: Sequence[str],
    stop: threading.Event,
    announce: Callable[[str], None],
) -> int:
    story = SCENARIOS.get(_one_of("scenario", scenario, SCENARIOS))
    assert story is not None
    real = _one_of("speed", speed, ("real", "max")) == "real"
    kind = DriveKind(_one_of("drive", drive, [str(kind) for kind in DriveKind]))
    wire_kind = Wire(_one_of("wire", wire, [str(known) for known in Wire]))
    if rate_hz not in RATES_HZ:
        raise UsageError(f"rate: expected one of {_listed(RATES_HZ)} scans a second, got {rate_hz!r}")
    if not -25.0 <= off_valley_us <= 25.0:
        raise UsageError(f"off-valley: expected -25 to 25 microseconds, got {off_valley_us!r}")
    if seed < 0:
        raise UsageError(f"seed: expected a whole number from 0 up, got {seed!r}")
    faults = parse_faults(link_faults)
    seconds = parse_duration(duration)
    if seconds is None and not real:
        seconds = story.seconds
    world = World(
        story,
        seed=seed,
        kind=kind,
        rate_hz=rate_hz,
        off_valley_s=off_valley_us * 1e-6,
        truth=truth_path is not None or scans_path is not None,
    )
    about: dict[str, Any] = {"seed": seed, "drive": str(world.waveform.kind), "wire": str(wire_kind)}
    outlet = open_outlet(outlet_text)
    truth: TruthWriter | None = None
    try:
        if truth_path or scans_path:
            truth = TruthWriter(truth_path, scans_path, world, about)
        device = Device(world, wire_kind, seed=seed, faults=faults, truth=truth)
        announce(f"{story.name} on {outlet.address}")
        batches = device.run(None if seconds is None else round(seconds * rate_hz))
        if outlet.wait_for_receiver(stop):
            _send(batches, outlet, stop, np.random.default_rng(seed) if real else None)
    finally:
        if truth:
            truth.close()
        outlet.close(stop)
    dropped = f", {outlet.dropped_bytes} bytes not taken by a receiver" if outlet.dropped_bytes else ""
    announce(f"sent {device.scans} scans, {device.scans / rate_hz:.1f} s{dropped}")
    return 0


def _send(
    batches: Iterator[list[Piece]], outlet: Outlet, stop: threading.Event, jitter: np.random.Generator | None
) -> None:
    """Send everything; paced, in jittered bursts that break anywhere, when ``jitter`` is given."""
    if jitter is None:
        for pieces in batches:
            outlet.send(b"".join(piece.data for piece in pieces), stop, patient=True)
            if stop.is_set():
                return
        return
    start_s = time.monotonic()
    burst_s = 0.0
    held = b""
    for pieces in batches:
        place = 0
        while place < len(pieces):
            burst = [held]
            while place < len(pieces) and pieces[place].due_s <= burst_s:
                burst.append(pieces[place].data)
                place += 1
            data = b"".join(burst)
            # A burst ends where the link's own buffers end, not where a frame does.
            keep = int(jitter.integers(0, 64)) if len(data) > 64 else 0
            held = data[len(data) - keep :]
            late_s = time.monotonic() - start_s - burst_s
            if late_s > _LATE_S:
                # The computer slept: a device would not send the past in one go either.
                start_s += late_s
            elif late_s < 0.0 and stop.wait(-late_s):
                return
            if stop.is_set():
                return
            if len(data) > keep:
                outlet.send(data[: len(data) - keep], stop, patient=False)
            burst_s += float(jitter.uniform(*_BURST_S))
    outlet.send(held, stop, patient=False)


def _one_of(name: str, value: str, known: Iterable[str]) -> str:
    if value not in known:
        raise UsageError(f"{name}: expected one of {', '.join(sorted(known))}, got {value!r}")
    return value


def parse_duration(text: str | float | None) -> float | None:
    """Seconds of ``"30"``, ``"30s"``, ``"10m"``, ``"2h"``, ``"3d"``; None stays None.

    Raises
    ------
    UsageError
        It is not such a text, or not above zero.
    """
    if text is None:
        return None
    number, factor = str(text).strip(), 1.0
    if number and number[-1] in "smhd":
        factor = {"s": 1.0, "m": 60.0, "h": 3600.0, "d": 86400.0}[number[-1]]
        number = number[:-1]
    try:
        seconds = float(number) * factor
    except ValueError:
        seconds = float("nan")
    if not 0.0 < seconds < float("inf"):
        raise UsageError(f"duration: expected a time such as 30s, 10m or 2h, got {text!r}")
    return seconds


def _print_line(text: str) -> None:
    print(text, flush=True)


@contextmanager
def _ended_by_signals(stop: threading.Event) -> Iterator[None]:
    """Let Ctrl-C, SIGTERM and CTRL_BREAK end the run cleanly; only the main thread may listen to them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: FrameType | None) -> None:
        stop.set()

    wanted = (getattr(signal, name, None) for name in ("SIGINT", "SIGTERM", "SIGBREAK"))
    before = {number: signal.signal(number, end) for number in wanted if number is not None}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line of ``python -m simulator``."""
    parser = argparse.ArgumentParser(prog="simulator", description="Simulated 24 V coolant pump bench.")
    add_arguments(parser)
    return run_arguments(parser.parse_args(arguments))

"""``livesense record BENCH``: from a port into a logbook."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.cli.benches import opened_bench
from livesense.cli.ending import ending_signals
from livesense.cli.logbooks import usable_logbook
from livesense.cli.opened import no_scans
from livesense.cli.options import add_json, add_logbook, span
from livesense.cli.output import print_json, safe
from livesense.wording import counted, duration

if TYPE_CHECKING:
    from livesense.record_settings import Progress


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("bench", metavar="BENCH", type=Path, help="the bench file")
    parser.add_argument("--port", metavar="URL", help="a port other than the bench file's")
    parser.add_argument("--for", dest="for_s", metavar="TIME", type=span, help="end after 10s, 2h, 3d, …")
    parser.add_argument(
        "--until-closed", action="store_true", help="end when the link closes; else wait for its return"
    )
    parser.add_argument("--wait", action="store_true", help="wait for a port that is not there yet")
    parser.add_argument("--name", metavar="TEXT", default="", help="a name for the run")
    parser.add_argument(
        "--allow-send", action="store_true", help="send the bench file's on_open text and set its dtr and rts"
    )
    parser.add_argument("--quiet", action="store_true", help="print nothing while recording")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Record until something ends it."""
    from livesense.link.sources import NOTHING_SENT, SendSettings
    from livesense.record_settings import RecordSettings
    from livesense.recorder import Recorder

    bench, address = opened_bench(args)
    logbook = usable_logbook(args.logbook)
    send = SendSettings(bench.link.on_open, bench.link.dtr, bench.link.rts)
    quiet = args.quiet or args.json

    def tell(text: str) -> None:
        if not quiet:
            _clear_line()
            print(f"livesense: {safe(text)}", file=sys.stderr, flush=True)

    for warning in bench.warnings:
        tell(warning)
    if send and not args.allow_send:
        tell("on_open, dtr and rts of the bench file are left alone; --allow-send uses them")
    recorder = Recorder(
        RecordSettings(
            bench=bench,
            address=address,
            logbook=logbook,
            name=args.name,
            duration_s=args.for_s,
            until_closed=args.until_closed,
            wait=args.wait,
            send=send if args.allow_send else NOTHING_SENT,
        ),
        tell=tell,
        progress=None if quiet or not sys.stderr.isatty() else _show_progress,
    )
    with ending_signals(recorder.stop):
        summary = recorder.run()
    if not quiet:
        _clear_line()
    if args.json:
        print_json(summary)
    elif not args.quiet:
        print(_sentence(summary))
    if recorder.error is not None:
        print(f"livesense: {safe(recorder.error)}", file=sys.stderr)
        return 1
    return 0


def _clear_line() -> None:
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[2K")


def _show_progress(progress: Progress) -> None:
    lost = "loss cannot be counted" if progress.lost is None else f"{progress.lost} lost"
    parts = [
        f"run {progress.run}" if progress.run is not None else "waiting for the port",
        duration(progress.seconds),
        f"{progress.rate_hz:,.0f} scans/s",
        lost,
        f"{progress.faults} faults",
        f"{progress.events} events",
        f"{progress.size_bytes / 1e6:.1f} MB",
    ]
    if progress.link == "away":
        parts.append("the port is away")
    sys.stderr.write("\r\x1b[2K" + "  ".join(parts))
    sys.stderr.flush()


def _sentence(summary: dict[str, Any]) -> str:
    away = summary["away"]
    return _told(summary) + (f"\nThe port was {away['text']}" if away["count"] else "")


def _told(summary: dict[str, Any]) -> str:
    number, groups = summary["run"], summary["groups"]
    if number is None:
        return "Nothing was recorded."
    faults = ", ".join(f"{kind} {count}" for kind, count in summary["faults"].items()) or "none"
    told = (
        f"{counted(summary['restarts'], 'restart')}, faults: {faults}, {counted(summary['events'], 'event')}"
    )
    if not any(group["scans_stored"] for group in groups):
        return f"{no_scans(number).capitalize()} ({summary['logbook']}; {told}). {_look_at(summary)}"
    lead = f"Run {number} in {summary['logbook']}: {duration(summary['seconds'])}, "
    gaps = f" in {counted(summary['gaps'], 'gap')}" if summary["gaps"] else ""
    following = f"Next: livesense measure {number}"
    if len(groups) == 1:
        return f"{lead}{_group(groups[0])}{gaps}, {told}. {following}"
    # Scans of different groups are different things: their sum would be the number of nothing.
    lines = [f"  {' '.join(group['channels'])}: {_group(group)}" for group in groups]
    return "\n".join([f"{lead}{counted(summary['gaps'], 'gap')}, {told}", *lines, following])


def _group(group: dict[str, Any]) -> str:
    lost = "loss cannot be counted" if group["scans_lost"] is None else f"{group['scans_lost']} lost"
    return f"{counted(group['scans_stored'], 'scan')}, {lost}"


def _look_at(summary: dict[str, Any]) -> str:
    """Tell what to look at next after a run without scans."""
    if len(summary["runs"]) > 1:
        return f"The device changed its channels and sent none of them; run {summary['runs'][-2]} came before"
    if summary["ended"] == "error":
        return f"Next: livesense show {summary['run']}"
    return (
        "No byte came: is the device powered, sending, and on this port? "
        "`livesense ports` lists what is there"
    )

"""The beginning of a report: what it is of, what it comes to, cautions, and how to make it again."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from livesense import __version__
from livesense.bench.tables import file_name
from livesense.report.content import Block, Facts, Items, Section, Source, Table, Tone, Words
from livesense.report.gathered import Gathered
from livesense.report.verdicts import allowed, summary, told
from livesense.report.words import figure, utc
from livesense.wording import counted, duration

CAUTIONS = (
    "Not a protective device. What was recorded is evidence of what the samples show; it replaces no fuse, "
    "trip or hardware stop.",
    "A reading of zero proves no circuit dead: a DC bus stays charged after power-off. Isolate, wait, and "
    "prove dead with a rated meter before touching.",
    "Peaks between two samples are not seen.",
    "Local codes and licensed practice go before this report.",
)
"""Of docs/safety.md, in the words of a report."""


@dataclass(frozen=True, slots=True)
class Order:
    """What is asked for: ``purpose`` and ``by`` in the words of who orders it, ``command`` makes it again."""

    purpose: str = ""
    by: str = ""
    command: str = ""


def opening(gathered: Gathered, order: Order) -> Iterator[Section]:
    """Tell verdict, purpose, conditions and cautions."""
    yield Section("Result", tuple(_result(gathered)))
    yield Section("Purpose and conditions", (Facts(tuple(_conditions(gathered, order))), *_notes(gathered)))
    yield Section("Cautions", (Items(CAUTIONS),))


def _result(gathered: Gathered) -> Iterator[Block]:
    rows = gathered.judged
    if rows:
        yield Words(summary(rows), Tone.LEAD)
        body = tuple(
            (
                row.what,
                row.where,
                figure(row.quantity) + (f" ({row.why})" if row.why else ""),
                allowed(row.bounds),
                str(row.verdict) + (f", and {alike} more" if alike else ""),
            )
            for row, alike in told(rows)
        )
        notes = (
            "A figure passes when all of its interval (± at k = 2) lies within the limits, fails when all of "
            "it lies beyond, and is undecided between. Of the figures that pass a limit, the one nearest to "
            "it is shown.",
        )
        yield Table(
            ("figure", "part of the run", "measured", "allowed", "verdict"), body, (0, 1, 3, 4), notes
        )
    else:
        yield Words("No limits are stated, so nothing is passed or failed.", Tone.LEAD)
        yield Words("[limits] in the bench file states them.", Tone.NOTE)
    if gathered.check is not None:
        alarms = [f for f in gathered.check.findings if f.alarm]
        if alarms:
            yield Words(
                f"The check of the bench raises {counted(len(alarms), 'alarm')}: see below before relying on "
                "figures.",
                Tone.CAUTION,
            )
    lost = sum(group["scans_lost"] or 0 for group in gathered.shown["groups"])
    if lost:
        yield Words(f"{counted(lost, 'scan')} were lost on the way; gaps are listed below.", Tone.CAUTION)


def _conditions(gathered: Gathered, order: Order) -> Iterator[tuple[str, str, str]]:
    run, shown = gathered.analysis.run.row, gathered.shown
    if order.purpose:
        yield "Purpose", order.purpose, ""
    if order.by:
        yield "By", order.by, ""
    yield "Run", f"{run.number}" + (f" “{run.name}”" if run.name else ""), str(run.state)
    yield "Bench", gathered.analysis.bench.name, ""
    yield "Recorded", utc(run.started_wall_s), duration(run.seconds)
    for group in shown["groups"]:
        fitted = group["rate_fitted_hz"]
        rate = "rate not stated" if group["rate_hz"] is None else f"{group['rate_hz']:g} scans/s"
        more = (
            f"fitted against a clock: {figure(fitted)}" if fitted else "nominal rate, fitted against no clock"
        )
        yield f"Channels of group {group['group']}", f"{', '.join(group['channels'])}; {rate}", more
    yield "Device", run.device or "tells no name", f"{run.wire} wire"
    motor = gathered.analysis.bench.motor
    if motor is not None:
        stated = [motor.kind]
        if motor.pole_pairs is not None:
            stated.append(counted(motor.pole_pairs, "pole pair"))
        if motor.rated_current_a is not None:
            stated.append(f"rated {motor.rated_current_a:g} A rms")
        yield "Motor", ", ".join(stated), "as the bench file states it"
    for name, seen in _temperatures(gathered).items():
        yield f"Temperature, {name}", seen, "over the steady parts"


def _temperatures(gathered: Gathered) -> dict[str, str]:
    found: dict[str, list[float]] = {}
    for row in gathered.steady:
        for name, quantity in (row["measures"].get("temperatures") or {}).items():
            if quantity["value"] is not None:
                found.setdefault(name, []).append(quantity["value"])
    return {name: f"{min(v):.1f} °C to {max(v):.1f} °C" for name, v in found.items()}


def _notes(gathered: Gathered) -> tuple[Block, ...]:
    notes = gathered.analysis.run.notes()
    if not notes:
        return ()
    rows = tuple((utc(note.wall_s), note.source, note.text) for note in notes)
    return (Table(("noted at", "by", "note"), rows, (0, 1, 2)),)


def origin(gathered: Gathered, order: Order) -> Iterator[Section]:
    """Tell what everything stands on: hashes, versions, the command, the bench file itself."""
    bench = gathered.analysis.bench
    rows = (
        ("Raw codes", f"SHA-256 {gathered.digest}", "docs/report.md says over what"),
        (
            "Bench file",
            f"SHA-256 {hashlib.sha256(bench.text.encode('utf-8')).hexdigest()}",
            f"{file_name(bench.path)}, revision {gathered.analysis.revision} of the run's chain",
        ),
        ("Recorded by", f"livesense {gathered.analysis.run.row.version}", ""),
        ("Report by", f"livesense {__version__}", ""),
    )
    blocks: list[Block] = [Facts(rows)]
    if order.command:
        blocks += [Words("This report is made again, byte for byte in HTML, by"), Source(order.command)]
    blocks += [Words("The bench file that its figures stand on:"), Source(bench.text)]
    yield Section("Where this comes from", tuple(blocks))

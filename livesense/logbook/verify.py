"""Whether a logbook is sound: read-only, beside a recorder, in the same memory however long its runs are."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livesense.errors import DamagedBlockError, LogbookError
from livesense.logbook import calibrations, codec, revisions, schema, trends
from livesense.logbook import connection as db
from livesense.logbook.fields import from_json
from livesense.logbook.findings import Finding, Findings
from livesense.logbook.reader import Logbook
from livesense.logbook.run_reader import RunReader
from livesense.logbook.verify_group import Place, Tally, check_group

Tell = Callable[[str, int, int], None]
"""Is told what is being done, how much of it is done, and of how much; KeyboardInterrupt from it ends all."""

STEPS_BETWEEN_LOOKS = 200_000
"""Of SQLite's virtual machine, while it checks the file by itself."""

MOST_TROUBLES = 100
"""SQLite's own check tells so many at most."""

WITH_RUN = tuple(name for name in schema.TABLES if name not in ("run", "calibration", "calibration_point"))
WITH_GROUP = ("segment", "tail", "block", "pyramid", "trend", "gap", "restart", "event", "rate", "dropped")

_OUTSIDE = {
    "event": (
        "SELECT start_scan, end_scan, 'event ' || number || ' of revision ' || revision FROM event"
        " WHERE run = :run AND scan_group = :group AND (start_scan < 0 OR peak_scan < 0"
        " OR start_scan >= :stop OR peak_scan >= :stop OR end_scan >= :stop OR end_scan < start_scan)"
    ),
    "restart": (
        "SELECT scan, NULL, 'a restart' FROM restart"
        " WHERE run = :run AND scan_group = :group AND (scan < 0 OR scan > :stop)"
    ),
    "segment": (
        "SELECT first, NULL, 'a segment' FROM segment"
        " WHERE run = :run AND scan_group = :group AND (first < 0 OR first > :stop)"
    ),
}


@dataclass(frozen=True, slots=True)
class RunCheck:
    """What was looked at in one run; ``open`` says what is still being written."""

    run: int
    state: str
    scans: int
    lost: int
    blocks: int
    pages: int
    wrong: int
    open: bool


@dataclass(frozen=True, slots=True)
class Report:
    """What was found; ``total`` counts the findings that are not listed as well."""

    runs: tuple[RunCheck, ...]
    findings: tuple[Finding, ...]
    total: int
    unchecked: tuple[str, ...]


def verify(path: Path | str, only: int | str | None, tell: Tell) -> Report:
    """Check a logbook, or ``only`` one run of it; nothing is written.

    Raises
    ------
    LogbookError, NewerLogbookError, RunNotFoundError
        It cannot be opened, or has no such run.
    """
    found = Findings()
    unchecked: list[str] = []
    with Logbook(path) as book:
        unchecked += book.warnings
        wanted = None if only is None else book.run(only).number
        if wanted is None:
            _check_file(book, found, tell)
        else:
            unchecked.append("the file as a whole, and what belongs to no run: left out with --run")
        try:
            checks = _check_runs(book, wanted, found, tell)
        except LogbookError as error:
            # A damaged file may not even tell which runs it has.
            if not found.total:
                raise
            checks = []
            unchecked.append(f"the runs: {error}")
    unchecked += [f"run {c.run} is being recorded: what comes now is not looked at" for c in checks if c.open]
    return Report(tuple(checks), tuple(found.kept), found.total, tuple(unchecked))


def _check_file(book: Logbook, found: Findings, tell: Tell) -> None:
    for text in _sqlite_troubles(book, tell):
        found.add(Finding("file", f"SQLite's own check: {text}"))
    try:
        for table in WITH_RUN:
            if schema.SINCE.get(table, 1) > _version(book):
                continue
            for run, count in book.select(
                f"SELECT run, count(*) FROM {table} WHERE run NOT IN (SELECT number FROM run) GROUP BY run"
            ):
                text = f"{count} rows of the table {table} belong to a run that is not there"
                found.add(Finding("leftover", text, run if isinstance(run, int) else None))
        if calibrations.are_kept(book.select):
            for (number,) in book.select(
                "SELECT id FROM calibration_point"
                " WHERE calibration NOT IN (SELECT id FROM calibration) LIMIT 20"
            ):
                found.add(Finding("reference", f"calibration point {number} names a scale that is not there"))
    except LogbookError as error:
        found.add(Finding("file", str(error)))


def _version(book: Logbook) -> int:
    ((version,),) = book.select("PRAGMA user_version")
    return int(version)


def _sqlite_troubles(book: Logbook, tell: Tell) -> list[str]:
    """Run SQLite's integrity check; on a connection of its own, because it can be broken off."""
    stopped = False
    version = _version(book)

    def look() -> int:
        nonlocal stopped
        try:
            tell("SQLite's own check", 0, 0)
        except KeyboardInterrupt:
            stopped = True
        return int(stopped)

    look()
    connection, _ = db.open_to_read(book.path)
    with closing(connection):
        connection.set_progress_handler(look, STEPS_BETWEEN_LOOKS)
        troubles = []
        try:
            for (text,) in connection.execute(f"PRAGMA integrity_check({MOST_TROUBLES})"):
                # Of rates of the second schema some versions of SQLite say so though it is not true.
                untrue = text.startswith("NULL value in rate.") and version == 2
                if text != "ok" and not untrue:
                    troubles.extend(text.splitlines())
        except (sqlite3.Error, UnicodeDecodeError) as error:
            if not stopped:
                troubles.append(str(error))
    if stopped:
        raise KeyboardInterrupt
    return troubles


def _check_runs(book: Logbook, only: int | None, found: Findings, tell: Tell) -> list[RunCheck]:
    numbers = [only] if only is not None else [n for (n,) in book.select("SELECT number FROM run ORDER BY 1")]
    counts = dict(book.select("SELECT run, count(*) FROM block GROUP BY run"))
    total, done = sum(counts.get(number, 0) for number in numbers), 0
    checks = []
    for number in numbers:
        seen = 0

        def tick(count: int, number: int = number) -> None:
            nonlocal seen
            seen += count
            tell(f"run {number}", min(done + seen, total), total)  # noqa: B023

        tick(0)
        before = found.total
        try:
            checks.append(_check_run(book, number, found, tick))
        except LogbookError as error:
            if not book.select("SELECT 1 FROM run WHERE number = ?", (number,)):
                # Deleted meanwhile.
                continue
            found.add(Finding("file", str(error), number))
            checks.append(RunCheck(number, "unknown", 0, 0, 0, 0, found.total - before, False))
        done += counts.get(number, 0)
    return checks


def _check_run(book: Logbook, number: int, found: Findings, tick: Callable[[int], None]) -> RunCheck:
    before = found.total
    reader = book.run(number)
    ((token, ended, summary),) = book.select(
        "SELECT token, ended, summary FROM run WHERE number = ?", (number,)
    )
    state = book.state(number, token, ended)
    tallies: dict[int, Tally] = {}
    all_seen = False
    try:
        for place in _places(book, reader, state):
            tallies[place.group] = check_group(place, found, tick)
        all_seen = True
    except LogbookError as error:
        found.add(Finding("file", str(error), number))
    _check_strays(book, number, found)
    _check_trends(book, reader, found)
    _check_revisions(book, number, found)
    for group, tally in tallies.items():
        tally.lost = _lost(book, number, group)
        if state != "recording":
            _check_extents(book, number, group, tally, found)
    if all_seen and state != "recording" and summary is not None:
        _check_totals(number, from_json(summary), tallies, found)
    return RunCheck(
        number,
        state,
        sum(tally.scans for tally in tallies.values()),
        sum(tally.lost for tally in tallies.values()),
        sum(tally.blocks for tally in tallies.values()),
        sum(tally.pages for tally in tallies.values()),
        found.total - before,
        state == "recording",
    )


def _places(book: Logbook, reader: RunReader, state: str) -> list[Place]:
    held = dict(book.select("SELECT number, held_as FROM scan_group WHERE run = ?", (reader.number,)))
    places = []
    for group, info in enumerate(reader.groups):
        dtype = codec.dtype_of(held[group])
        if dtype != info.code.dtype.newbyteorder("<"):
            raise DamagedBlockError(
                f"group {group}: expected codes held as {codec.held_as(info.code.dtype)}, found {held[group]}"
            )
        names = info.channels if info.clock is None else (*info.channels, info.clock)
        places.append(Place(book.select, reader.number, group, names, info.clock is not None, dtype, state))
    return places


def _check_trends(book: Logbook, reader: RunReader, found: Findings) -> None:
    """Look for trend rows that are none of their group; whether their sums are right only the codes know."""
    if schema.SINCE["trend"] > _version(book):
        return
    for group, info in enumerate(reader.groups):
        place = {"run": reader.number, "group": group, "size": trends.size_of(len(info.channels))}
        for level, first, scans in book.select(
            "SELECT level, first, scans FROM trend WHERE run = :run AND scan_group = :group"
            " AND (typeof(data) != 'blob' OR length(data) != :size OR typeof(first) != 'integer'"
            "  OR typeof(scans) != 'integer' OR scans < 1 OR used > scans OR turning > scans"
            "  OR lined > turning)",
            place,
        ):
            text = f"a trend row of level {level!r} is none of this group"
            at = first if isinstance(first, int) else None
            count = scans if isinstance(scans, int) else None
            found.add(Finding("trend", text, reader.number, group, None, at, count))


def _check_strays(book: Logbook, run: int, found: Findings) -> None:
    """Look for rows of groups and channels that the run does not have."""
    known = {group for (group,) in book.select("SELECT number FROM scan_group WHERE run = ?", (run,))}
    for table in WITH_GROUP:
        if schema.SINCE.get(table, 1) > _version(book):
            continue
        for (group,) in book.select(f"SELECT DISTINCT scan_group FROM {table} WHERE run = ?", (run,)):
            if group is not None and group not in known:
                text = f"the table {table} holds rows of a group {group!r} that the run does not have"
                found.add(Finding("reference", text, run))
    for table in ("block", "pyramid"):
        rows = book.select(
            f"SELECT DISTINCT scan_group, position FROM {table} WHERE run = :run"
            " EXCEPT SELECT scan_group, position FROM channel WHERE run = :run",
            {"run": run},
        )
        for group, position in rows:
            if group in known:
                text = f"the table {table} holds rows of a channel {position!r} that the group does not have"
                found.add(Finding("reference", text, run, group))


def _check_revisions(book: Logbook, run: int, found: Findings) -> None:
    for row in revisions.all_of(book.select, run):
        there = {made.number for made in calibrations.by_number(book.select, row.calibrations)}
        for number in sorted(set(row.calibrations) - there):
            text = f"revision {row.number} uses calibration {number}, which is not there"
            found.add(Finding("reference", text, run))


def _check_extents(book: Logbook, run: int, group: int, tally: Tally, found: Findings) -> None:
    """Look for rows that name scans the group does not have."""
    values = {"run": run, "group": group, "stop": tally.stop}
    for text in _OUTSIDE.values():
        for first, last, what in book.select(text, values):
            reach = f"{first!r}" if last is None else f"{first!r} to {last!r}"
            words = f"{what} lies at {reach}; the group's scans end at {tally.stop - 1}"
            found.add(Finding("extent", words, run, group))


def _lost(book: Logbook, run: int, group: int) -> int:
    ((lost,),) = book.select(
        "SELECT coalesce(sum(scans), 0) FROM gap WHERE run = ? AND scan_group = ? AND cause <> 'burst'",
        (run, group),
    )
    return int(lost)


def _check_totals(
    run: int, summary: Mapping[str, Any], tallies: Mapping[int, Tally], found: Findings
) -> None:
    """Hold what the recorder counted against what is there."""
    groups = summary.get("groups")
    for row in groups if isinstance(groups, list) else []:
        group = row.get("group") if isinstance(row, dict) else None
        tally = tallies.get(group) if isinstance(group, int) else None
        if tally is None or group is None:
            text = f"the recorder counted scans of a group that the run does not have: {json.dumps(row)[:60]}"
            found.add(Finding("count", text, run))
            continue
        for key, there in (("scans_stored", tally.scans), ("scans_lost", tally.lost)):
            counted = row.get(key)
            if counted is not None and counted != there:
                text = f"the recorder counted {counted!r} as {key}, the logbook holds {there}"
                found.add(Finding("count", text, run, group))

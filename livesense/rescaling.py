"""Giving a finished run a corrected chain, as a new revision; its raw codes are not touched."""

from __future__ import annotations

import time
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import Any

from livesense import __version__
from livesense.analysis import RunAnalysis
from livesense.bench import Bench
from livesense.calibrated import boards_of, facts_of, in_use
from livesense.chain import Chain
from livesense.errors import LogbookError, UsageError
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import CalibrationRow, RevisionRow
from livesense.logbook.writer import LogbookWriter
from livesense.retained import dropped_text
from livesense.watching import events_again


class Choice(StrEnum):
    """Which calibrations a revision uses."""

    KEPT = "kept"
    """Those that the run uses now."""
    LATEST = "latest"
    """The newest of the bench and its boards, whenever they were made."""
    NONE = "none"


def rescale(
    path: Path,
    ref: int | str,
    *,
    bench: Bench | None,
    choice: Choice,
    reason: str,
    made_by: str = "",
) -> dict[str, Any]:
    """Keep a new revision of a run: bench file, calibrations, and the events found again through them.

    Parameters
    ----------
    bench
        The corrected bench file; None keeps the one in use.

    Raises
    ------
    UsageError
        The run is being recorded, or nothing would change.
    LogbookError
        The run holds no scans.
    DescriptionError
        A channel of the bench file has no column in the run.
    """
    with Logbook(path) as book:
        analysis = RunAnalysis(book, ref)
        run = analysis.run
        _check_over(analysis)
        if not run.holds_scans():
            raise LogbookError(f"run {run.number} holds no scans: there is nothing to rescale")
        before = analysis.chain
        corrected = bench if bench is not None else analysis.bench
        rows = _rows(book, analysis, corrected, choice)
        used = in_use(rows, run.row.started_wall_s, run.row.device, analysis.temperatures(rows))
        chain = Chain(corrected, run.groups, used.calibration)
        if corrected.text == analysis.bench.text and used.numbers == analysis.in_use.numbers:
            raise UsageError(
                f"run {run.number} has this bench file and these calibrations already: nothing would change"
            )
        events = events_again(run, corrected, chain)
        events_before = run.row.events
        dropped = dropped_text(analysis)
    row = RevisionRow(
        number=0,
        wall_s=time.time(),
        reason=reason,
        made_by=made_by,
        bench_text=corrected.text,
        bench_path=corrected.path,
        calibrations=tuple(used.numbers),
        version=__version__,
        undone_wall_s=None,
    )
    with LogbookWriter(path) as writer:
        number = writer.add_revision(run.number, row, events)
    return {
        "run": run.number,
        "revision": number,
        "reason": reason,
        "by": made_by,
        "channels": _changes(before, chain),
        "calibration": facts_of(used),
        "events": len(events),
        "events_before": events_before,
        "warnings": [
            *_misfits(analysis, corrected),
            *chain.warnings,
            *used.warnings,
            *([] if dropped is None else [f"events were looked for only where they can be: {dropped}"]),
        ],
    }


def undo(path: Path, ref: int | str) -> dict[str, Any]:
    """Return to the revision before the newest one; rows and events of the undone one are kept.

    Raises
    ------
    UsageError
        The run stands as it was recorded.
    """
    with Logbook(path) as book:
        run = book.run(ref)
        number = run.revision()
        if not number:
            raise UsageError(f"run {run.number} stands as it was recorded: there is nothing to undo")
        with LogbookWriter(path) as writer:
            writer.undo_revision(run.number, number, time.time())
        run.refresh()
        return {"run": run.number, "undone": number, "revision": run.revision(), "events": run.row.events}


def _check_over(analysis: RunAnalysis) -> None:
    row = analysis.run.row
    if row.state == "recording":
        raise UsageError(f"run {row.number} is being recorded: rescale it when it has ended")


def _rows(book: Logbook, analysis: RunAnalysis, bench: Bench, choice: Choice) -> Sequence[CalibrationRow]:
    boards = boards_of(bench)
    if choice is Choice.NONE:
        return []
    if choice is Choice.LATEST:
        return book.calibrations(bench.name, boards)
    # A calibration belongs to a board: one that the corrected file names otherwise loses it.
    kept = analysis.run.calibration(analysis.revision)
    return [row for row in kept if boards.get(row.channel) == row.board]


def _misfits(analysis: RunAnalysis, bench: Bench) -> list[str]:
    found = []
    row = analysis.run.row
    if bench.name != row.bench_name:
        found.append(f"the bench file is of {bench.name!r}, the run was recorded on {row.bench_name!r}")
    gone = [c.name for c in analysis.bench.channels if c.name not in {n.name for n in bench.channels}]
    if gone:
        found.append(f"channels that the bench file does not have any more: {', '.join(gone)}")
    return found


def _changes(before: Chain, after: Chain) -> dict[str, Any]:
    """Conversion of each channel that has changed, before and after; null where it was not there."""
    found = {}
    for name, channel in after.channels.items():
        old = before.channels.get(name)
        if channel.computed or (
            old is not None and (old.per_code, old.zero_code) == (channel.per_code, channel.zero_code)
        ):
            continue
        found[name] = {
            "unit": channel.unit,
            "per_code": [None if old is None else old.per_code, channel.per_code],
            "zero_code": [None if old is None else old.zero_code, channel.zero_code],
        }
    return found

"""A walk that was led through on a run being recorded: judged once more by its recorder, and kept."""

from __future__ import annotations

import json

from livesense.analysis import RunAnalysis
from livesense.errors import LivesenseError, UsageError
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import CalibrationRow
from livesense.logbook.writer import LogbookWriter
from livesense.walk.given import Given
from livesense.walk.keeping import scales
from livesense.walk.recorded import RunWalk


def walk_of_run(writer: LogbookWriter, number: int, text: str) -> str:
    """Keep a scale of each channel by the rules of `livesense walk`; say what came of it.

    ``text`` is JSON: ``windows`` of the steps in seconds of the run, ``current``, ``errors``, ``volts`` and
    ``volts_error`` as they are written. Nothing is kept unless every channel is proven.
    """
    try:
        windows, given = _asked(text)
        with Logbook(writer.path) as book:
            walk = RunWalk(RunAnalysis(book, number))
            result, readings, pushed = walk.judged(windows, given)
            groups = walk.analysis.run.groups
            made = scales(walk.analysis.bench, walk.chain, groups, readings, pushed, result)
    except LivesenseError as error:
        return f"nothing was kept: {error}"
    rows = [row for row in made.values() if isinstance(row, CalibrationRow)]
    left_out = "; ".join(f"{name} {row}" for name, row in made.items() if isinstance(row, str))
    if not result.proven or not rows:
        return f"nothing was kept: {left_out}"
    writer.add_calibrations(rows)
    names = ", ".join(row.channel for row in rows)
    way = "from the current" if result.absolute else "against each other, as a whole from their mean"
    said = f"scale kept of {names}, {way}; runs recorded from now on use it, this one goes on as it began"
    return said + (f"; left out: {left_out}" if left_out else "")


def _asked(text: str) -> tuple[dict[str, tuple[float, float]], Given]:
    try:
        said = json.loads(text)
        windows = {str(name): (float(begin), float(end)) for name, (begin, end) in said["windows"].items()}
        volts = tuple(f"{name}={text}" for name, text in said.get("volts", {}).items())
        errors = tuple(str(error) for error in said["errors"])
        given = Given(
            str(said["current"]), errors, volts=volts, volts_error=str(said.get("volts_error", "0 %"))
        )
        return windows, given
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise UsageError("expected the times of the steps and what was pushed, got something else") from error

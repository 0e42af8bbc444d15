"""Calibration points that are asked for while a run is recorded, and the scales that are made of them."""

from __future__ import annotations

import json
from typing import Any

from livesense.averaging import averages, mean_temperatures, newest_of_run
from livesense.bench import Bench
from livesense.calibrated import boards_of
from livesense.calibrating import Said, point_rows, signs_of
from livesense.chain import Chain
from livesense.errors import LivesenseError, UsageError
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.scale_keeping import fit_waiting
from livesense.wording import fixed, significant


def point_of_run(writer: LogbookWriter, bench: Bench, number: int, text: str) -> str:
    """Keep a point of a run's newest two seconds by the rules of `livesense calibrate`; say what came of it.

    ``text`` is JSON: ``channels`` as the command takes them, ``value``, ``errors`` and ``meter`` as they are
    written.
    """
    try:
        asked = _object(text)
        signs = signs_of(str(asked.get("channels", "")), bench)
        said = Said(str(asked.get("value", "")), _errors(asked), str(asked.get("meter") or "reference meter"))
        with Logbook(writer.path) as book:
            heard = newest_of_run(book, number)
        chain = Chain(bench, heard.groups)
        found = averages(chain, heard, list(signs))
        details = {"temperatures": mean_temperatures(chain, heard), "run": number}
        rows = point_rows(
            bench, chain, heard.groups, signs, said, found, device=heard.device, details=details
        )
        writer.add_points(rows)
    except LivesenseError as error:
        return f"no point was kept: {error}".removesuffix("; no point was kept")
    told = (f"{r.channel} {significant(r.value)} {r.unit} at code {fixed(r.code, 2)}" for r in rows)
    return f"point kept: {', '.join(told)}"


def scale_of_run(writer: LogbookWriter, bench: Bench) -> str:
    """Make scales of the points that wait and keep them, all or none; say what came of it."""
    try:
        fits = fit_waiting(writer, bench, None)
    except LivesenseError as error:
        # The page has no options: who means it has the command.
        why = str(error).replace('--force "REASON"', '`livesense calibrate BENCH --fit --force "REASON"`')
        return f"no scale was kept: {why}"
    return f"scale kept of {', '.join(fits)}; runs recorded from now on use it, this one goes on as it began"


def discard_of_run(writer: LogbookWriter, bench: Bench, text: str) -> str:
    """Throw away one point that waits for a fit; say what came of it."""
    try:
        number = _object(text).get("point")
        with Logbook(writer.path) as book:
            waiting = {row.number: row for row in book.waiting_points(bench.name, boards_of(bench))}
        row = waiting.get(number) if isinstance(number, int) else None
        if row is None:
            raise UsageError("it does not wait for a fit any more")
        writer.discard_points([row.number])
    except LivesenseError as error:
        return f"the point was not thrown away: {error}"
    return f"the point of {row.channel} was thrown away"


def _object(text: str) -> dict[str, Any]:
    try:
        said = json.loads(text)
    except ValueError:
        said = None
    if not isinstance(said, dict):
        raise UsageError("expected what the reference meter said, got something else")
    return said


def _errors(asked: dict[str, Any]) -> list[str]:
    errors = asked.get("errors")
    if not isinstance(errors, list) or not errors or not all(errors):
        raise UsageError('expected what the reference meter may be wrong by, such as "0.05 %"')
    return [str(error) for error in errors]

"""The bring-up of a run that is being recorded: its stages judged from the logbook, and kept with the run."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Any

from flask import Flask, Response, request

from dashboard.clock import when
from dashboard.plain_input import plain, short_text
from dashboard.record_data import answer_of
from dashboard.walk_data import chosen
from livesense.bringup.kept import asked, row_of
from livesense.bringup.recorded import SECONDS, RunBringUp, read_given
from livesense.bringup.stages import Stage
from livesense.errors import UsageError
from livesense.logbook import requests as logbook_requests
from livesense.logbook.rows import StageRow

if TYPE_CHECKING:
    from collections.abc import Callable

    from dashboard.reading import Desk, Reading

LONGEST_RUN_S = 1e9


def row_told(row: StageRow) -> dict[str, Any]:
    """Tell a verdict that is kept."""
    return {
        "stage": row.stage,
        "verdict": row.verdict,
        "at": when(row.wall_s),
        "text": row.text,
        "given": row.details.get("given", ""),
        "checks": row.details.get("checks", []),
    }


def told(bringup: RunBringUp) -> dict[str, Any]:
    """Tell where the run ends now, and the newest verdict of each stage."""
    return {
        "now_s": math.ceil(bringup.end_s() * 1000) / 1000,
        "kept": {stage: row_told(row) for stage, row in bringup.kept().items()},
    }


def read_asked(said: Any) -> tuple[Stage, float, str]:
    """Read which stage is to be judged, from when on, and what the drive was told."""
    if not isinstance(said, dict):
        raise UsageError("expected a stage and a time of the run")
    try:
        stage = Stage(str(said.get("stage")))
    except ValueError as error:
        raise UsageError(f"expected one of the stages {', '.join(Stage)}") from error
    from_s = said.get("from", 0.0)
    number = isinstance(from_s, int | float) and not isinstance(from_s, bool)
    if not number or not 0 <= from_s < LONGEST_RUN_S:
        raise UsageError("expected a time of the run")
    return stage, float(from_s), plain(short_text(said.get("given")), "A" if stage is Stage.ALIGN else "")


def judged(desk: Desk, reading: Reading, number: int, said: Any) -> dict[str, Any]:
    """Judge a stage and ask the recorder to keep the verdict; ``waiting`` while its scans have not come."""
    stage, from_s, given = read_asked(said)
    # Told at once, and not after two seconds.
    read_given(stage, given)
    bringup = RunBringUp(desk.run(number))
    window = None if stage is Stage.WALK else (from_s, round(from_s + SECONDS, 3))
    if str(bringup.analysis.run.row.state) != "recording":
        raise UsageError("the run is no longer being recorded; start another one")
    if window is not None and bringup.end_s() < window[1]:
        return {"state": "waiting", "end_s": bringup.end_s()}
    row = row_of(bringup.judged(stage, from_s, given), time.time(), window, given)
    logbook_requests.ask(reading.path, number, "stage", asked(row))
    return {"state": "judged", "kept": row_told(row)}


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add the routes under ``/api/bringup``."""

    def at_desk(make: Callable[[Desk], Any]) -> Any:
        with reading.desk() as desk:
            if desk is None:
                raise UsageError("there is no logbook yet")
            return make(desk)

    @flask.get("/api/bringup")
    def bringup_which() -> Response:
        return answer_of(lambda: {"run": at_desk(lambda desk: chosen(desk, None)[0])})

    @flask.get("/api/bringup/<int:number>")
    def bringup_now(number: int) -> Response:
        return answer_of(lambda: at_desk(lambda desk: told(RunBringUp(desk.run(number)))))

    @flask.post("/api/bringup/<int:number>/judge")
    def bringup_judge(number: int) -> Response:
        said = request.get_json(silent=True)
        return answer_of(lambda: at_desk(lambda desk: judged(desk, reading, number, said)))

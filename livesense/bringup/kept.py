"""Verdicts of a bring-up as they are asked for, kept with the run, and shown again."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from livesense.bringup.stages import Stage
from livesense.errors import UsageError
from livesense.logbook.rows import StageRow
from livesense.timetext import iso_time

if TYPE_CHECKING:
    from livesense.bringup.judge import Verdict

LONGEST_TEXT = 4000


def row_of(verdict: Verdict, wall_s: float, window: tuple[float, float] | None, given: str) -> StageRow:
    """Make the row that is kept of a verdict."""
    said = verdict.as_json()
    details = {"checks": said["checks"]} | ({"given": given} if given else {})
    from_s, to_s = window or (None, None)
    return StageRow(0, wall_s, str(verdict.stage), str(verdict.outcome), from_s, to_s, verdict.text, details)


def asked(row: StageRow) -> str:
    """Write a row for a recorder's request."""
    return json.dumps(
        {
            "stage": row.stage,
            "verdict": row.verdict,
            "from_s": row.from_s,
            "to_s": row.to_s,
            "text": row.text[:LONGEST_TEXT],
            "details": row.details,
        },
        ensure_ascii=False,
        allow_nan=False,
    )


def read_asked(text: str, wall_s: float) -> StageRow:
    """Read a row that a page asks to be kept; UsageError where it is none."""
    try:
        said = json.loads(text)
        stage, verdict = Stage(said["stage"]), str(said["verdict"])
        details, words = said["details"], said["text"]
        if verdict not in ("passed", "failed", "undecided") or not isinstance(details, dict):
            raise ValueError(verdict)
        if not isinstance(words, str):
            raise TypeError(words)
        from_s, to_s = (None if said[k] is None else float(said[k]) for k in ("from_s", "to_s"))
        return StageRow(0, wall_s, str(stage), verdict, from_s, to_s, words, details)
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise UsageError("expected a verdict on a stage of a bring-up, got something else") from error


def stage_facts(row: StageRow) -> dict[str, Any]:
    """Write a kept verdict for `show --json`."""
    return {
        "stage": row.stage,
        "verdict": row.verdict,
        "at": iso_time(row.wall_s),
        "from_s": row.from_s,
        "to_s": row.to_s,
        "text": row.text,
        "given": row.details.get("given"),
        "checks": row.details.get("checks", []),
    }


def walk_row(answer: str, wall_s: float) -> StageRow:
    """Keep what came of a walk as the verdict of its stage."""
    kept = answer.startswith("scale kept")
    walked = {"walked": iso_time(wall_s)[:16].replace("T", " ")} if kept else {}
    text = answer[:1].upper() + answer[1:] + ("" if answer.endswith(".") else ".")
    return StageRow(0, wall_s, str(Stage.WALK), "passed" if kept else "failed", None, None, text, walked)

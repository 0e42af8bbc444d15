"""The known-current walk on a run that is being recorded: its steps read from the logbook, and judged.

Nothing is kept here: the browser holds where the steps lie in the run, and each request brings them along.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Flask, Response, request

from dashboard.answering import answered
from dashboard.digits import written
from dashboard.plain_input import limits, plain, short_text
from dashboard.stream import as_json
from livesense.errors import LivesenseError, UsageError
from livesense.logbook import requests as logbook_requests
from livesense.samples import Estimate
from livesense.walk.given import Given, read_pushed
from livesense.walk.judge import Verdict
from livesense.walk.recorded import REST, RunWalk
from livesense.walk.session import Walked
from livesense.walk.steps import Step
from livesense.walk.words import seen

if TYPE_CHECKING:
    from dashboard.reading import Desk, Reading
    from livesense.analysis import RunAnalysis

SECONDS = 2.0
"""So long each step is read, as by the command."""

LONGEST_S = 60.0

_PLAIN = re.compile(r"[\w .,/\\:()+=%±−-]+")


@dataclass(frozen=True, slots=True)
class Asked:
    """What the browser sends to have judged: where the steps lie, and the texts of its fields."""

    windows: Mapping[str, tuple[float, float]]
    current: str
    errors: tuple[str, ...]
    volts: Mapping[str, str]
    volts_error: str
    judge: bool = True
    """Whether more than the texts is wanted."""


def chosen(desk: Desk, number: int | None) -> tuple[int | None, list[int]]:
    """Tell which run a walk is done on, the newest that is recorded and holds scans; and which others are."""
    there = [run.number for run in desk.recording() if run.holds_scans]
    if number is not None:
        return (number if number in there else None), [n for n in there if n != number]
    return (there[0] if there else None), there[1:]


def now(walk: RunWalk) -> dict[str, Any]:
    """Tell where the run ends now: scans from there on come later."""
    return {"now_s": math.ceil(walk.end_s() * 1000) / 1000}


def step_told(walk: RunWalk, name: str, from_s: float, rest: tuple[float, float] | None) -> dict[str, Any]:
    """Read one step from an instant on: ``waiting`` for its scans, ``refused`` with why, or ``read``."""
    step = None if name == REST else _step(name)
    window = (from_s, round(from_s + SECONDS, 3))
    end_s = walk.end_s()
    if end_s < window[1]:
        if str(walk.analysis.run.row.state) == "recording":
            return {"state": "waiting", "end_s": end_s}
        return _refused("the run is no longer being recorded; start another one, and this walk anew")
    try:
        reading = walk.read(step, window)
        before = reading if step is None or rest is None else walk.read(None, rest)
    except UsageError as error:
        return _refused(str(error))
    if step is not None and rest is None:
        return _refused("the rest has to be read first")
    why = walk.moved(reading)
    if why is not None:
        return _refused(why)
    # The step's name stands beside it.
    text = seen(walk.chain, reading, before).removeprefix(f"{name}: ")
    if step is None:
        codes = ", ".join(f"{n} {_code(a.code, a.u_code)}" for n, a in reading.averages.items())
        text = f"{text} Codes: {codes}"
    return {"state": "read", "to_s": window[1], "text": tied(text)}


def tied(text: str) -> str:
    """Tie numbers to their units and ± to what follows, so that no line ends between them."""
    return re.sub(r"(?<=\d) (?=[A%Ω])|(?<=±) ", "\u00a0", text)


def _code(code: float, u: float) -> str:
    return written(code, u, "")


def _refused(why: str) -> dict[str, Any]:
    return {"state": "refused", "text": f"Not read: {why}."}


def _step(name: str) -> Step:
    into, _, out_of = name.partition("-")
    if {into, out_of} <= {"U", "V", "W"} and into != out_of:
        return Step(into, out_of)
    raise UsageError(f"expected a step such as U-V, got {name!r}")


def read_asked(said: Any) -> Asked:
    """Read a browser's request; UsageError where it is none."""
    if not isinstance(said, dict):
        raise UsageError("expected an object")
    windows, volts = said.get("windows", {}), said.get("volts", {})
    if not isinstance(windows, dict) or not isinstance(volts, dict) or len(windows) > 7 or len(volts) > 6:
        raise UsageError("expected the steps' times and volts by their names")
    volts = {name: plain(short_text(text), "V") for name, text in volts.items()}
    return Asked(
        windows={name: _window(window) for name, window in windows.items() if name == REST or _step(name)},
        current=plain(short_text(said.get("current")), "A"),
        errors=tuple(limits(short_text(said.get("error")))),
        volts={name: text for name, text in volts.items() if text and _step(name)},
        volts_error=plain(short_text(said.get("volts_error"))) or "0 %",
        judge=bool(said.get("judge")),
    )


def read_step(said: Any) -> tuple[str, float, tuple[float, float] | None]:
    """Read which step is to be read, from when on, and where the rest lies; UsageError where it is none."""
    if not isinstance(said, dict) or not isinstance(said.get("step"), str):
        raise UsageError("expected a step and a time of the run")
    from_s, rest = said.get("from"), said.get("rest")
    window = _window([from_s, from_s + SECONDS] if isinstance(from_s, int | float) else None)
    return said["step"], window[0], None if rest is None else _window(rest)


def _window(window: Any) -> tuple[float, float]:
    if not isinstance(window, list) or len(window) != 2:
        raise UsageError("expected two times of the run for each step")
    begin, end = window
    numbers = all(isinstance(t, int | float) and not isinstance(t, bool) for t in window)
    if not numbers or not (0 <= begin < end <= begin + LONGEST_S):
        raise UsageError(f"expected two times of the run, at most {LONGEST_S:g} s apart, got {window!r:.60}")
    return float(begin), float(end)


def _given(asked: Asked) -> Given:
    volts = [f"{name}={text}" for name, text in asked.volts.items() if name in asked.windows]
    return Given(asked.current, asked.errors, "supply", volts, asked.volts_error)


def problems(asked: Asked) -> dict[str, str]:
    """Tell what is wrong in the fields, by field; empty where nothing is."""
    steps = [_step(name) for name in asked.volts]
    looks = {
        "current": Given(asked.current, ()),
        "error": Given("1 A", asked.errors),
        "volts-error": Given("1 A", (), volts_error=asked.volts_error),
        **{f"volts-{name}": Given("1 A", (), volts=[f"{name}={text}"]) for name, text in asked.volts.items()},
    }
    found = {}
    for field, given in looks.items():
        try:
            read_pushed(given, steps)
        except UsageError as error:
            found[field] = re.sub(r"^--[a-z-]+: ", "", str(error)).replace(f"{field[6:]}=", "")
    return found


def verdict_told(walk: RunWalk, asked: Asked, logbook: Path) -> dict[str, Any]:
    """Tell what the walk proves: sentence, channels, gains, resistances, and the command that keeps it."""
    result, _, _ = walk.judged(asked.windows, _given(asked))
    return {
        "proven": result.proven,
        "sentence": _sentence(result.verdicts),
        "channels": [_channel(verdict) for verdict in result.verdicts],
        "left": [{"name": name, "text": f"not walked: {why}"} for name, why in walk.left.items()],
        # Gains of what is wired or scaled another way than the file says are no small differences.
        "gains": _gains(result.verdicts) if result.proven else [],
        "resistance": [
            {"step": name, "text": f"{_estimate(r)}; of one phase (star) {_estimate(_half(r))}"}
            for name, r in result.resistance.items()
        ],
        "command": command(walk.analysis, asked, logbook, result),
    }


def _sentence(verdicts: Sequence[Verdict]) -> str:
    kinds: dict[str, list[str]] = {}
    for verdict in verdicts:
        kinds.setdefault(verdict.kind, []).append(verdict.channel)
    good = kinds.pop("proven", [])
    if not kinds:
        return f"{', '.join(good)}: mapping, direction and scale proven."
    said = [f"{', '.join(names)}: {_KINDS[kind]}" for kind, names in kinds.items()]
    return "; ".join([*said, *([f"{', '.join(good)}: proven"] if good else [])]) + "."


_KINDS = {
    "no-signal": "no signal",
    "reversed": "reversed",
    "swapped": "at another lead",
    "scale": "wrong scale",
    "mixed": "fits no lead",
}


def _channel(verdict: Verdict) -> dict[str, Any]:
    fix = verdict.fix
    line = (
        fix
        if fix is None or isinstance(fix, str)
        else f'in the [[channel]] named "{verdict.channel}": {fix.line}'
    )
    return {
        "name": verdict.channel,
        "kind": verdict.kind,
        "text": tied(verdict.text),
        "fix": line,
    }


def _gains(verdicts: Sequence[Verdict]) -> list[dict[str, str]]:
    rows = []
    for v in verdicts:
        if v.relative is None:
            continue
        idle = v.crosstalk
        share = "" if idle is None else written(100 * idle.value, 100 * idle.u_random, "%")
        rows.append({"name": v.channel, "relative": _estimate(v.relative), "idle": share})
    return rows


def _estimate(estimate: Estimate) -> str:
    return written(estimate.value, estimate.u, estimate.unit)


def _half(estimate: Estimate) -> Estimate:
    return Estimate(estimate.value / 2, estimate.u_random / 2, estimate.u_systematic / 2, estimate.unit)


def command(analysis: RunAnalysis, asked: Asked, logbook: Path, result: Walked) -> str:
    """Write the command that judges these very scans again, and keeps what is proven."""
    at = ",".join(f"{name}={begin:.3f}-{end:.3f}" for name, (begin, end) in asked.windows.items())
    steps = [name for name in asked.windows if name != REST]
    words = ["livesense", "walk", _quoted(analysis.bench.path, "BENCH"), "--run", str(analysis.run.number)]
    words += ["--at", at]
    if steps != ["U-V", "V-W"]:
        words += ["--steps", ",".join(steps)]
    words += ["--current", _quoted(asked.current, "VALUE")]
    for text in asked.errors:
        words += ["--reference-error", _quoted(text, "LIMIT")]
    given = _given(asked)
    for text in given.volts:
        words += ["--volts", _quoted(text, "STEP=VALUE")]
    if given.volts:
        words += ["--volts-error", _quoted(given.volts_error, "LIMIT")]
    if result.edits:
        words += ["--out", "corrected.toml"]
    return " ".join([*words, "--logbook", _quoted(str(logbook), "FILE")])


def _quoted(text: str, otherwise: str) -> str:
    """Quote for any shell; what no shell may be given stays out."""
    if not text or not _PLAIN.fullmatch(text) or text.startswith("-") or text.endswith("\\"):
        return otherwise
    return text if re.fullmatch(r"[\w./:=-]+", text) else f'"{text}"'


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add the routes under ``/api/walk``; they read, and one asks the run's recorder to keep."""

    @flask.get("/api/walk")
    def which() -> Response:
        # A file that a recorder is just making is no logbook yet; it is asked for again.
        try:
            with reading.desk() as desk:
                number = None if desk is None else chosen(desk, None)[0]
        except LivesenseError:
            number = None
        return Response(as_json({"run": number}), mimetype="application/json")

    @flask.get("/api/walk/<int:number>/now")
    def where(number: int) -> Response:
        return answered(reading, lambda desk: now(RunWalk(desk.run(number))))

    @flask.post("/api/walk/<int:number>/reading")
    def read(number: int) -> Response:
        said = request.get_json(silent=True)

        def make(desk: Desk) -> dict[str, Any]:
            name, from_s, rest = read_step(said)
            return step_told(RunWalk(desk.run(number)), name, from_s, rest)

        return answered(reading, make)

    @flask.post("/api/walk/<int:number>/verdict")
    def verdict(number: int) -> Response:
        said = request.get_json(silent=True)

        def make(desk: Desk) -> dict[str, Any]:
            asked = read_asked(said)
            found = problems(asked)
            if found or not asked.judge:
                return {"problems": found, "verdict": None}
            return {"problems": {}, "verdict": verdict_told(RunWalk(desk.run(number)), asked, reading.path)}

        return answered(reading, make)

    @flask.post("/api/walk/<int:number>/keep")
    def keep(number: int) -> Response:
        said = request.get_json(silent=True)

        def make(desk: Desk) -> dict[str, Any]:
            asked = read_asked(said)
            if problems(asked):
                raise UsageError("expected what was pushed: correct the fields first")
            given = _given(asked)
            text = as_json(
                {
                    "windows": asked.windows,
                    "current": asked.current,
                    "errors": asked.errors,
                    "volts": {name: text for name, text in asked.volts.items() if name in asked.windows},
                    "volts_error": given.volts_error,
                }
            )
            return {"request": logbook_requests.ask(reading.path, number, "walk", text)}

        return answered(reading, make)

    @flask.get("/api/walk/<int:number>/keep/<int:asked>")
    def kept(number: int, asked: int) -> Response:
        def make(_: Desk) -> dict[str, Any]:
            row = logbook_requests.answer_of(reading.path, asked)
            if row is None or row.run != number or row.kind != "walk":
                raise UsageError("there is no such request")
            return {"answer": row.answer}

        return answered(reading, make)

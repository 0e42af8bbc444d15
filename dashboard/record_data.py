"""What the Record screen asks for: ports, what a line carries, recorders that start, stop and answer."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from flask import Flask, Response, request

from dashboard.benches import Benches
from dashboard.clock import when
from dashboard.commands import IDENTIFY_S, PORTS_S, Commands
from dashboard.plain_input import limits, plain
from dashboard.recorders import LONGEST_NAME, AtWork, Recorders
from dashboard.stream import as_json
from livesense.agreement import compare_meter, compared_names, figure_of
from livesense.errors import LivesenseError, LogbookError, UsageError
from livesense.logbook import requests as logbook_requests

if TYPE_CHECKING:
    from dashboard.reading import Desk, Reading

LONGEST_NOTE = 2000
LONGEST_FIELD = 80
NOTES_SHOWN = 8
BEGINNING_S = 2.0
"""A file that is younger may be a logbook that a recorder is just making."""
SILENT_S = 3.0
"""A recorder gives a sign each second; later than this it is said to be late."""


class Control:
    """What the page can start and stop, for one logbook."""

    def __init__(self, reading: Reading, benches: Benches) -> None:
        self.reading = reading
        self.benches = benches
        self.commands = Commands()
        self.recorders = Recorders(reading.path)
        self._listed: list[dict[str, Any]] = []

    def close(self) -> None:
        """End what answers once, let go of the recorders."""
        self.commands.close()
        self.recorders.close()

    def ports(self) -> list[dict[str, Any]]:
        """List what may be recorded from: the computer's ports, and those that the bench files name."""
        found = self.commands.ask("ports", patience_s=PORTS_S)["ports"]
        self._listed = [row for row in found if isinstance(row, dict) and isinstance(row.get("device"), str)]
        listed = [row["device"] for row in self._listed]
        stated = [port for port in self.benches.ports() if port not in listed]
        return [
            *({"port": port, "about": "given"} for port in stated),
            *({"port": row["device"], "about": _about(row)} for row in self._listed),
        ]

    def allowed(self, port: Any) -> str:
        """Take a port that is listed, or that the page was started with; UsageError for any other."""
        if isinstance(port, str):
            if port in self.benches.ports() or any(row["device"] == port for row in self._listed):
                return port
            if any(row["port"] == port for row in self.ports()):
                return port
        raise UsageError("expected one of the ports that are listed: list them again")

    def look(self) -> dict[str, Any]:
        """Tell the state by the logbook as it is now; a file that a recorder is just making is none yet."""
        try:
            with self.reading.desk() as desk:
                return self.state(desk)
        except LogbookError:
            if not self._is_being_made():
                raise
            return self.state(None)

    def _is_being_made(self) -> bool:
        if self.recorders.starting():
            return True
        try:
            return time.time() - self.reading.path.stat().st_mtime < BEGINNING_S
        except OSError:
            return False

    def state(self, desk: Desk | None) -> dict[str, Any]:
        """Tell what is recorded, what is starting, and how the last recorders ended."""
        at_work: list[AtWork] = []
        rows: list[dict[str, Any]] = []
        for recording in desk.recording() if desk is not None else []:
            assert desk is not None
            run = desk.logbook.run(recording.number)
            row = run.row
            if row.state != "recording":
                continue
            at_work.append(AtWork(row.number, row.port, row.started_wall_s, recording.sign_wall_s))
            silent_s = time.time() - recording.sign_wall_s
            notes = [note for note in run.notes(newest=4 * NOTES_SHOWN) if note.source == "user"]
            rows.append(
                {
                    "run": row.number,
                    "name": row.name,
                    "port": row.port,
                    "bench": row.bench_name,
                    "began": when(row.started_wall_s),
                    "seconds": row.seconds,
                    "holds_scans": recording.holds_scans,
                    "trouble": _trouble(recording.away, recording.holds_scans, silent_s),
                    "notes": [
                        {"number": note.number, "text": note.text} for note in notes[: -NOTES_SHOWN - 1 : -1]
                    ],
                }
            )
        self.recorders.look(at_work, lambda number: desk.state(number) if desk is not None else "gone")
        for row_told in rows:
            row_told["stopping"] = self.recorders.stop_words(row_told["run"])
        return {
            "recordings": rows,
            "starting": [
                {"key": s.key, "port": s.port, "bench": s.bench.path.name, "name": s.name}
                for s in self.recorders.starting()
            ],
            "ends": [
                {"key": e.key, "run": e.run, "bad": e.bad, "text": e.text, "at": when(e.ended_wall_s)}
                for e in self.recorders.ends()
            ],
        }

    def start(self, said: Any) -> dict[str, Any]:
        """Start a recorder as a request asks for it."""
        said = _object(said)
        bench, port = self.benches.file(said.get("bench")), self.allowed(said.get("port"))
        name = _text(said.get("name", ""), LONGEST_NAME, "a name")
        self.look()
        if wrong := bench.facts()["wrong"]:
            raise UsageError(wrong)
        return {"key": self.recorders.start(bench, port, name)}

    def stop(self, run: int) -> dict[str, Any]:
        """Ask a run's recorder to stop."""
        logbook_requests.ask(self.reading.path, run, "stop")
        self.recorders.stopping(run)
        return {"asked": True}

    def identify(self, said: Any) -> dict[str, Any]:
        """Listen to a port and tell what it carries."""
        port = self.allowed(_object(said).get("port"))
        if any(work.port == port for work in self.recorders.at_work()):
            raise UsageError(f"{port} is being recorded: stop that first")
        # Exit code 1: it listened, and knows nothing of what came.
        return self.commands.ask("identify", "--", port, patience_s=IDENTIFY_S, code=(0, 1))


def _about(row: dict[str, Any]) -> str:
    parts = (row.get("description"), row.get("usb_id"), row.get("serial_number"))
    return " · ".join(str(part) for part in parts if part)


def _trouble(away: bool, holds_scans: bool, silent_s: float) -> str:
    if silent_s > SILENT_S:
        return f"Its recorder gave no sign for {silent_s:.0f} s: it hangs, or this computer is too busy."
    if away:
        return "Its port is gone; it waits for it to come back."
    if not holds_scans:
        return "No scan has come yet: does the board run, do wire and baud of the bench file fit it?"
    return ""


def _object(said: Any) -> dict[str, Any]:
    if not isinstance(said, dict):
        raise UsageError("expected an object")
    return said


def _text(said: Any, longest: int, what: str) -> str:
    if not isinstance(said, str) or len(said) > longest:
        raise UsageError(f"expected {what} of at most {longest} characters")
    return said.strip()


def meter_told(desk: Desk, path: Any, number: int, said: Any) -> dict[str, Any]:
    """Hold what a meter says against a run's newest seconds, and note the answer with the run."""
    said = _object(said)
    channel = _text(said.get("channel", ""), LONGEST_FIELD, "a channel")
    value, error = (_text(said.get(key, ""), LONGEST_FIELD, "a text") for key in ("value", "error"))
    analysis = desk.run(number)
    if str(analysis.run.row.state) != "recording":
        raise UsageError(f"run {number} is not being recorded: there is nothing to compare with now")
    figure_of(analysis, channel)
    unit = analysis.chain.channels[channel].unit
    found = compare_meter(analysis, channel, plain(value, unit), limits(error) if error else ())
    logbook_requests.ask(path, number, "note", f"Meter: {found.text}")
    return {"agrees": found.agrees, "text": found.text, "en": found.en}


def channels_told(desk: Desk, number: int) -> dict[str, Any]:
    """List the channels of a run that a meter can be held against, with what the meter should show."""
    analysis = desk.run(number)
    if not analysis.run.groups:
        return {"channels": []}
    units = {c.name: c.unit for c in analysis.channels}
    return {
        "channels": [
            {"name": name, "unit": units[name], "figure": figure_of(analysis, name)}
            for name in compared_names(analysis)
        ]
    }


def answer_of(make: Callable[[], Any]) -> Response:
    """Answer with what is made, or with why it was refused: in words, and no failed request in a console."""
    try:
        made = make()
    except LivesenseError as error:
        made = {"refused": str(error)}
    return Response(as_json(made), mimetype="application/json")


def add_routes(flask: Flask, control: Control) -> None:
    """Add the routes under ``/api/record``."""
    reading = control.reading

    def at_desk(make: Callable[[Desk], Any]) -> Any:
        with reading.desk() as desk:
            if desk is None:
                raise UsageError("there is no logbook yet")
            return make(desk)

    @flask.get("/api/record")
    def record_state() -> Response:
        return answer_of(control.look)

    @flask.get("/api/record/ports")
    def record_ports() -> Response:
        return answer_of(lambda: {"ports": control.ports(), "of": control.benches.port_of()})

    @flask.post("/api/record/identify")
    def record_identify() -> Response:
        said = request.get_json(silent=True)
        return answer_of(lambda: control.identify(said))

    @flask.post("/api/record/start")
    def record_start() -> Response:
        said = request.get_json(silent=True)
        return answer_of(lambda: control.start(said))

    @flask.post("/api/record/told/<int:key>")
    def record_told(key: int) -> Response:
        control.recorders.told(key)
        return answer_of(lambda: {"told": True})

    @flask.post("/api/record/<int:number>/stop")
    def record_stop(number: int) -> Response:
        return answer_of(lambda: control.stop(number))

    @flask.get("/api/record/<int:number>/channels")
    def record_channels(number: int) -> Response:
        return answer_of(lambda: at_desk(lambda desk: channels_told(desk, number)))

    @flask.post("/api/record/<int:number>/note")
    def record_note(number: int) -> Response:
        said = request.get_json(silent=True)

        def make() -> dict[str, Any]:
            text = _text(_object(said).get("text"), LONGEST_NOTE, "a note")
            if not text:
                raise UsageError("expected a note of at least one character")
            return {"request": logbook_requests.ask(reading.path, number, "note", text)}

        return answer_of(make)

    @flask.post("/api/record/<int:number>/meter")
    def record_meter(number: int) -> Response:
        said = request.get_json(silent=True)
        return answer_of(lambda: at_desk(lambda desk: meter_told(desk, reading.path, number, said)))

"""What the Bench screen asks for: a bench file as a form, judged as it is edited, and written."""

from __future__ import annotations

import tempfile
import threading
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Flask, Response, request

from dashboard.calibration import found_text
from dashboard.clock import when
from dashboard.commands import CHECK_S
from dashboard.record_data import answer_of
from livesense.bench import parse
from livesense.bench.keys import REPEATED, TABLES
from livesense.bench_form.editing import edited, read_form
from livesense.bench_form.fields import WORDS, fields
from livesense.bench_form.judging import judged
from livesense.bench_form.saving import digest, read_text, save
from livesense.calibrated import row_facts
from livesense.errors import BenchError, LivesenseError, UsageError

if TYPE_CHECKING:
    from dashboard.benches import BenchFile
    from dashboard.record_data import Control


def fields_told() -> dict[str, Any]:
    """Describe every field of a bench file."""
    return {
        table: {
            "title": WORDS.get(table, table),
            "repeated": table in REPEATED,
            "fields": [asdict(field) for field in fields(table)],
        }
        for table in TABLES
    }


class BenchForms:
    """Forms of the bench files that the page was started with."""

    def __init__(self, control: Control) -> None:
        self._control = control
        self._writing = threading.Lock()

    def file(self, number: int) -> BenchFile:
        """Find a bench file by its number."""
        return self._control.benches.file(number)

    def told(self, number: int) -> dict[str, Any]:
        """Tell a file's form and what it is worth."""
        file = self.file(number)
        text = read_text(file.path)
        form = read_form(text, file.path.name)
        found = judged(text, form, file.path.name)
        del found["text"]
        return {
            "file": file.path.name,
            "digest": digest(text),
            "form": form,
            "calibrations": self._calibrations(text, file),
            **found,
        }

    def judged(self, number: int, said: Any) -> dict[str, Any]:
        """Judge a form that is being edited."""
        file, text, form = self._asked(number, said)
        found = judged(text, form, file.path.name)
        del found["text"]
        return found

    def saved(self, number: int, said: Any) -> dict[str, Any]:
        """Write a form into its file."""
        with self._writing:
            file, text, form = self._asked(number, said)
            found = judged(text, form, file.path.name)
            if found["problems"]:
                raise UsageError("not saved: mend what is marked first")
            save(file.path, edited(text, form, file.path.name), digest(text))
        return self.told(number)

    def checked(self, number: int, said: Any) -> dict[str, Any]:
        """Check a form as it stands, saved or not: alone, or by the newest run of the logbook."""
        file, text, form = self._asked(number, said)
        logbook = self._control.reading.path
        by_run = bool(said.get("by_run"))
        if by_run and not logbook.exists():
            raise UsageError("there is no logbook yet: record a run first")
        found = judged(text, form, file.path.name)
        if found["problems"]:
            raise UsageError("not checked: mend what is marked first")
        how = ["--run=last", f"--logbook={logbook}"] if by_run else ["--file-only"]
        with tempfile.TemporaryDirectory(prefix="livesense-") as folder:
            # The command reads a file; what is typed is none yet.
            path = Path(folder) / file.path.name
            path.write_text(found["text"], encoding="utf-8", newline="")
            return self._control.commands.ask("check", *how, "--", str(path), patience_s=CHECK_S, code=(0, 1))

    def card(self, number: int, paper: str) -> str:
        """Write the bench card of a saved file as HTML."""
        from livesense.card.as_html import html
        from livesense.card.build import card_of
        from livesense.card.fit import PAPERS, html_size
        from livesense.card.points import numbers

        if paper not in PAPERS:
            raise UsageError(f"expected one of the papers {', '.join(PAPERS)}")
        file = self.file(number)
        bench = parse(read_text(file.path), file.path.name)
        card = card_of(bench, numbers(bench))
        return html(card, PAPERS[paper], html_size(card, PAPERS[paper])[0])

    def _asked(self, number: int, said: Any) -> tuple[BenchFile, str, Any]:
        if not isinstance(said, dict) or not isinstance(said.get("digest"), str):
            raise UsageError("expected a form and which file it is of")
        file = self.file(number)
        text = read_text(file.path)
        if digest(text) != said["digest"]:
            raise UsageError(
                f"{file.path.name} was changed meanwhile by somebody else: load it again, then edit"
            )
        return file, text, said.get("form")

    def _calibrations(self, text: str, file: BenchFile) -> list[list[str]]:
        try:
            name = parse(text, file.path.name).name
            with self._control.reading.desk() as desk:
                rows = desk.logbook.calibration_history(name) if desk is not None else []
        except LivesenseError:
            return []
        return [
            [
                when(row.wall_s),
                row.channel,
                row.kind,
                found_text(row.kind, row_facts(row)),
                row.board,
                row.reason,
            ]
            for row in rows
        ]


def add_routes(flask: Flask, control: Control) -> None:
    """Add the routes under ``/api/bench``, and the card."""
    forms = BenchForms(control)

    @flask.get("/api/bench/fields")
    def bench_fields() -> Response:
        return answer_of(fields_told)

    @flask.get("/api/bench/<int:number>")
    def bench_form(number: int) -> Response:
        return answer_of(lambda: forms.told(number))

    @flask.post("/api/bench/<int:number>/judge")
    def bench_judge(number: int) -> Response:
        said = request.get_json(silent=True)
        return answer_of(lambda: forms.judged(number, said))

    @flask.post("/api/bench/<int:number>/save")
    def bench_save(number: int) -> Response:
        said = request.get_json(silent=True)
        return answer_of(lambda: forms.saved(number, said))

    @flask.post("/api/bench/<int:number>/check")
    def bench_check(number: int) -> Response:
        said = request.get_json(silent=True)
        return answer_of(lambda: forms.checked(number, said))

    @flask.get("/bench-card/<int:number>")
    def bench_card(number: int) -> Response:
        try:
            return Response(forms.card(number, request.args.get("paper", "a4")), mimetype="text/html")
        except (BenchError, UsageError) as error:
            return Response(f"There is no card: {error}", 409, mimetype="text/plain")

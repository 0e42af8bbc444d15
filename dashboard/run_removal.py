"""Deleting runs from the page: runs that are over, after a question, through the logbook's own removal."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from flask import Flask, Response, request

from dashboard.reading import Reading
from dashboard.stream import as_json
from livesense.errors import LivesenseError
from livesense.logbook.removal import delete_runs

MOST_AT_ONCE = 200


def add_routes(flask: Flask, reading: Reading) -> None:
    """Add ``POST /api/runs/delete``."""

    @flask.post("/api/runs/delete")
    def delete() -> Response:
        said = request.get_json(silent=True)
        numbers = said.get("runs") if isinstance(said, dict) else None
        if (
            not isinstance(numbers, list)
            or not 0 < len(numbers) <= MOST_AT_ONCE
            or not all(type(number) is int and 0 < number < 1 << 62 for number in numbers)
        ):
            reason = f"expected the numbers of 1 to {MOST_AT_ONCE} runs, got something else"
            return Response(reason, 400, mimetype="text/plain")
        try:
            _Removal(reading.path, list(dict.fromkeys(numbers))).begun()
        except LivesenseError as error:
            return Response(str(error), 409, mimetype="text/plain")
        return Response(as_json({"deleted": numbers}), mimetype="application/json")


class _Removal:
    """Removes runs in a thread of its own: their rows go at once, their scans, gigabytes of them, follow."""

    def __init__(self, path: Path, numbers: list[int]) -> None:
        self._path = path
        self._numbers = numbers
        self._gone = threading.Event()
        self._error: LivesenseError | None = None

    def begun(self) -> None:
        """Return when the runs are gone for every reader; raise what kept them."""
        threading.Thread(target=self._work, name="livesense removal", daemon=True).start()
        self._gone.wait()
        if self._error is not None:
            raise self._error

    def _work(self) -> None:
        def tell(_what: str, done: int, total: int) -> Any:
            if total > 0:
                self._gone.set()

        try:
            delete_runs(self._path, self._numbers, tell)
        except LivesenseError as error:
            # What is left over after the runs are gone is freed by the next deletion or compaction.
            self._error = error
        finally:
            self._gone.set()

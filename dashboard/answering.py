"""How a route answers from the logbook: what was made of it, or in words why it cannot be."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Response

from dashboard.reading import Desk, Reading
from dashboard.stream import as_json
from livesense.errors import LivesenseError, RunNotFoundError


def answered(reading: Reading, make: Callable[[Desk], Any], *, without: int = 404) -> Response:
    """Answer with what ``make`` makes at a desk: bytes as they are, everything else as JSON.

    A run that is not there is 404, what cannot be done 409; ``without`` is the status while there is no
    logbook yet.
    """
    try:
        with reading.desk() as desk:
            if desk is None:
                return Response("there is no logbook yet", without, mimetype="text/plain")
            made = make(desk)
    except LivesenseError as error:
        return refused(error)
    if isinstance(made, bytes):
        return Response(made, mimetype="application/octet-stream", headers={"Cache-Control": "no-store"})
    return Response(as_json(made), mimetype="application/json")


def refused(error: Exception) -> Response:
    """Say why something is refused."""
    status = 404 if isinstance(error, RunNotFoundError) else 409
    return Response(str(error), status, mimetype="text/plain")

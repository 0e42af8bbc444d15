"""Sending pieces at their pace."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass

from livesense.outlets import Outlet
from livesense.replay.timeline import Piece

LATE_S = 5.0
"""A computer that slept does not send the past in one go."""


@dataclass
class Sent:
    """What went out."""

    scans: int = 0
    seconds: float = 0.0


def play(
    pieces: Iterable[Piece], outlet: Outlet, stop: threading.Event, speed: float | None, sent: Sent
) -> None:
    """Send pieces until they end or ``stop`` is set, counting what goes out in ``sent``.

    ``speed`` 2 sends twice as fast as the run was; None as fast as it is taken, and then nothing is dropped.
    """
    start_s = time.monotonic()
    for piece in pieces:
        if speed is not None:
            late_s = time.monotonic() - start_s - piece.due_s / speed
            if late_s > LATE_S:
                start_s += late_s
            elif late_s < 0 and stop.wait(-late_s):
                return
        if stop.is_set():
            return
        if piece.data:
            outlet.send(piece.data, stop, patient=speed is None)
        sent.scans += piece.scans
        sent.seconds = max(sent.seconds, piece.due_s)

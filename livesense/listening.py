"""A look at a line: link → rows and hints, without a logbook.

A reader thread only reads (:mod:`livesense.link`); what comes is looked at (:mod:`livesense.listen`) in the
thread that calls :meth:`Listening.run`, and shown by an :class:`Output`.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

from livesense.bench import Bench
from livesense.link.address import Address
from livesense.link.holders import holders
from livesense.link.queue import Chunk, LinkDown, LinkEnd, LinkItem, LinkQueue, LinkUp, Overflow
from livesense.link.reader import LinkReader, arrival_now
from livesense.link.sources import is_pseudo_terminal
from livesense.listen.expected import Expected, by_bench
from livesense.listen.opening import Closed, opening_hints
from livesense.listen.rows import Row
from livesense.listen.seen import Hint, Line
from livesense.listen.session import Session
from livesense.listen.summary import Rates, summary
from livesense.samples import GapCause

TURN_S = 0.05
PIECE_BYTES = 1 << 18


class Output(Protocol):
    """Shows what came."""

    def begin(self, line: Line) -> None:
        """Say what is listened to; the port is open."""

    def wire(self, expected: Expected) -> None:
        """Say which wire it is, as soon as that is known."""

    def rows(self, rows: Sequence[Row], first: int) -> None:
        """Show rows, the first of which has this number."""

    def link(self, text: str, at_s: float) -> None:
        """Tell of a change of the link."""

    def tick(self, session: Session, line: Line, at_s: float) -> None:
        """Do what is due by the clock."""


class Listening:
    """Listens until something ends it.

    Parameters
    ----------
    address, baud
        What to open and how; nothing is ever sent.
    bench, wire
        What is expected; None where the bytes have to tell it.
    seconds, frames
        When to end; None for no such end.
    until_closed
        End when the link closes, instead of waiting for its return.
    stop
        Set from a signal handler or another thread, ends it.
    """

    def __init__(
        self,
        address: Address,
        baud: int,
        bench: Bench | None,
        wire: str | None,
        output: Output,
        *,
        seconds: float | None = None,
        frames: int | None = None,
        until_closed: bool = False,
        stop: threading.Event | None = None,
    ) -> None:
        self.opened = False
        """Whether the port was ever open."""
        self._address = address
        self._output = output
        self._seconds = seconds
        self._frames = frames
        self._stop = stop or threading.Event()
        self._queue = LinkQueue()
        self._reader = LinkReader(address, baud, self._queue, until_closed=until_closed)
        expected = by_bench(bench) if bench is not None else None
        self._session = Session(expected, wire, live=address.has_clock)
        # Only a device has a rate, and a pseudo-terminal takes any.
        device = address.kind in {"device", "rfc2217"} and not is_pseudo_terminal(address.text)
        self._line = Line(address.kind, address.given, baud if device else None)
        self._vanished = 0
        self._shared: tuple[str, ...] = ()
        self._rates = Rates()
        self._begun_s = self._opened_s = arrival_now().monotonic_s
        self._rows = 0
        self._told: Expected | None = None
        self._ended: str | None = None
        self._error: str | None = None
        self._trouble = ""

    def run(self) -> dict[str, Any]:
        """Listen; returns the summary."""
        self._reader.start()
        try:
            while self._ended is None:
                self._take(self._queue.take(TURN_S))
                self._check_ends()
        finally:
            ended_s = self._now_s()
            self._reader.stop()
        if self._ended not in {"frames", "error"}:
            self._take(self._queue.take(0.0))
        self._show(self._session.finish())
        return self._summary(ended_s)

    def _now_s(self) -> float:
        return arrival_now().monotonic_s - self._opened_s

    def _check_ends(self) -> None:
        now_s = self._now_s()
        if self.opened:
            self._show(self._session.waited(now_s))
            self._output.tick(self._session, self._seen_line(), now_s)
        if self._ended is not None:
            return
        if self._stop.is_set():
            self._ended = "asked"
        elif self.opened and self._seconds is not None and now_s >= self._seconds:
            self._ended = "time"

    def _take(self, items: Sequence[LinkItem]) -> None:
        pieces: list[Chunk] = []
        size = 0
        for item in items:
            if isinstance(item, Chunk):
                pieces.append(item)
                size += len(item.data)
                if size < PIECE_BYTES:
                    continue
            self._look(pieces)
            pieces, size = [], 0
            if not isinstance(item, Chunk):
                self._link_changed(item)
        self._look(pieces)

    def _look(self, pieces: Sequence[Chunk]) -> None:
        if self._seconds is not None:
            # What came later was read while this thread was busy.
            pieces = [piece for piece in pieces if self._at_s(piece) <= self._seconds]
        if not pieces or self._ended == "frames":
            return
        arrival = pieces[-1].arrival
        at_s = None if arrival is None else max(0.0, self._at_s(pieces[-1]))
        self._show(self._session.feed(b"".join(piece.data for piece in pieces), arrival, at_s))
        if at_s is not None:
            self._rates.take(at_s, *self._counts())

    def _at_s(self, piece: Chunk) -> float:
        return 0.0 if piece.arrival is None else piece.arrival.monotonic_s - self._opened_s

    def _counts(self) -> tuple[int, int, int]:
        listener = self._session.listener
        scans = sum(listener.placing.scans.values()) if listener is not None else 0
        return self._session.tally.size, self._session.tally.rows, scans

    def _show(self, rows: Sequence[Row]) -> None:
        if self._frames is not None and self._rows + len(rows) >= self._frames:
            rows = rows[: max(0, self._frames - self._rows)]
            self._ended = self._ended or "frames"
        expected = self._session.expected
        if expected is not None and expected is not self._told:
            self._told = expected
            self._output.wire(expected)
        if rows:
            self._output.rows(rows, self._rows)
            self._rows += len(rows)

    def _link_changed(self, item: LinkItem) -> None:
        match item:
            case LinkUp():
                if self.opened:
                    self._output.link("the port is back", self._now_s())
                else:
                    self.opened = True
                    self._opened_s = arrival_now().monotonic_s
                    self._output.begin(self._line)
                # Whoever emulates a board keeps both ends of its pseudo-terminal open.
                if self._address.kind == "device" and self._line.baud is not None:
                    self._shared = tuple(holders(self._address.text))
            case LinkDown():
                self._vanished += 1
                self._show(self._session.interrupted(GapCause.OUTAGE))
                self._output.link(f"{item.text}; waiting for it to come back", self._now_s())
            case Overflow():
                self._show(self._session.interrupted(GapCause.HOST))
                self._output.link(
                    f"this computer fell behind: {item.count} bytes were dropped", self._now_s()
                )
            case LinkEnd(error=None):
                self._ended = self._ended or "closed"
            case LinkEnd():
                self._ended = "error"
                self._error, self._trouble = item.error, item.trouble

    def _seen_line(self) -> Line:
        line, errors = self._line, self._reader.line_errors
        if errors is None:
            return Line(line.kind, line.given, line.baud, self._vanished, self._shared)
        return Line(
            line.kind, line.given, line.baud, self._vanished, self._shared,
            errors.framing, errors.breaks, errors.overruns,
        )  # fmt: skip

    def _summary(self, ended_s: float) -> dict[str, Any]:
        line = self._seen_line()
        hints = self._session.hints(line) if self.opened else self._closed()
        return summary(
            self._session,
            line,
            hints,
            seconds=max(0.0, ended_s) if self.opened else 0.0,
            rates=self._rates.of(*self._counts()),
            ended=self._ended or "error",
            error=self._error,
        )

    def _closed(self) -> list[Hint]:
        """Hints for a port that could not be opened."""
        if self._error is None:
            return []
        device = self._address.kind == "device"
        group, member = _group(self._address.text) if self._trouble == "permission" else (None, False)
        return opening_hints(
            Closed(
                self._address.given,
                self._trouble,
                sys.platform,
                _ports() if self._trouble == "missing" else (),
                group,
                member,
                holders(self._address.text) if device and self._trouble == "busy" else (),
            )
        )


def _ports() -> list[tuple[str, str]]:
    from livesense.link.ports import list_ports

    return [(port.device, port.description) for port in list_ports()]


def _group(device: str) -> tuple[str | None, bool]:
    """Tell which group owns a port, and whether the user is in it; None where there is no such thing."""
    try:
        owner = Path(device).stat().st_gid
        return Path(device).group(), owner in getattr(os, "getgroups", list)()
    except (OSError, KeyError, NotImplementedError):
        return None, False

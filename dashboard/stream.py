"""The live stream: pictures and facts as length-prefixed messages over one long answer.

One answer occupies one thread of the server for as long as it lasts, so their number is bounded; who
comes too late is told so and asks for single answers instead.
"""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Iterator
from typing import Any

from flask import Flask, Response, request

from dashboard.live import Live
from dashboard.picture import KIND_ALIVE, KIND_FACTS, KIND_SETUP, KIND_TREND, encode, encode_text
from dashboard.pictures import SPANS_S, View

FEWEST_COLUMNS, MOST_COLUMNS, USUAL_COLUMNS = 100, 4000, 1200
TREND_EVERY_S = 2.0
ALIVE_S = 0.5
"""Without a new picture so long, an empty message tells that this end is well."""
MEDIA_TYPE = "application/vnd.livesense.stream"


def as_json(value: Any) -> str:
    """JSON without NaN or Infinity, which browsers refuse."""
    return json.dumps(value, allow_nan=False, ensure_ascii=False, default=_plain_number)


def _plain_number(value: Any) -> Any:
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"not for JSON: {type(value).__name__}")


def view_of(args: Any) -> View:
    """Read a view from query arguments; anything odd becomes the usual."""
    span_s = args.get("span", type=float)
    columns = args.get("columns", USUAL_COLUMNS, type=int)
    return View(
        steady=args.get("picture") != "running",
        span_s=min(SPANS_S, key=lambda s: abs(s - span_s))
        if span_s is not None and 0 < span_s < math.inf
        else SPANS_S[1],
        # Rounded, so that tabs of about the same width share their pictures.
        columns=round(min(max(columns, FEWEST_COLUMNS), MOST_COLUMNS) / 100) * 100,
        fast=args.get("pace") == "fast",
    )


class Streams:
    """Open streams: how many there may be, and their end when the server stops."""

    def __init__(self, live: Live, most: int, frames_per_s: float) -> None:
        self.live = live
        self.most = most
        self.stopping = threading.Event()
        self._frame_s = 1.0 / frames_per_s
        self._lock = threading.Lock()
        self._open = 0

    @property
    def open(self) -> int:
        """Streams being sent now."""
        return self._open

    def take(self) -> bool:
        """Take a place for one stream; False when all are taken."""
        with self._lock:
            if self._open >= self.most or self.stopping.is_set():
                return False
            self._open += 1
            return True

    def give_back(self) -> None:
        """Give a place back."""
        with self._lock:
            self._open -= 1

    def messages(self, view: View) -> Iterator[bytes]:
        """Messages for one client until it leaves or the server stops; gives its place back at the end."""
        try:
            setup = facts = picture = None
            sent_at = trend_at = -math.inf
            while not self.stopping.is_set():
                began = time.monotonic()
                new_setup, new_facts = self.live.facts()
                if new_setup is not setup:
                    setup, picture = new_setup, None
                    yield encode_text(KIND_SETUP, as_json(setup))
                if new_facts is not facts:
                    facts = new_facts
                    yield encode_text(KIND_FACTS, as_json(facts))
                    if began - trend_at >= TREND_EVERY_S:
                        trend_at = began
                        yield encode_text(KIND_TREND, as_json(self.live.trend()))
                new_picture = self.live.picture(view)
                if new_picture is not None and new_picture is not picture:
                    picture = new_picture
                    sent_at = began
                    yield encode(picture)
                elif began - sent_at > ALIVE_S:
                    sent_at = began
                    yield encode_text(KIND_ALIVE, "")
                self.stopping.wait(max(0.001, view.frame_s(self._frame_s) - (time.monotonic() - began)))
        finally:
            self.give_back()

    def once(self, view: View) -> bytes:
        """Return the same messages, once."""
        setup, facts = self.live.facts()
        picture = self.live.picture(view)
        parts = [encode_text(KIND_SETUP, as_json(setup)), encode_text(KIND_FACTS, as_json(facts))]
        parts.append(encode_text(KIND_TREND, as_json(self.live.trend())))
        return b"".join(parts + ([encode(picture)] if picture is not None else []))


class _Sent:
    """The messages of one stream; gives the place back even when it is closed before the first message."""

    def __init__(self, streams: Streams, view: View) -> None:
        self._streams = streams
        self._messages = streams.messages(view)
        self._begun = False

    def __iter__(self) -> _Sent:
        return self

    def __next__(self) -> bytes:
        self._begun = True
        return next(self._messages)

    def close(self) -> None:
        # A generator that never ran does not run its `finally` either.
        if not self._begun:
            self._begun = True
            self._streams.give_back()
        self._messages.close()  # type: ignore[attr-defined]


def add_routes(flask: Flask, streams: Streams) -> None:
    """Add ``/live/stream`` and ``/live/now``."""

    @flask.get("/live/stream")
    def live_stream() -> Response:
        if not streams.take():
            return Response("all streams are taken", 503, mimetype="text/plain")
        sent = _Sent(streams, view_of(request.args))
        answer = Response(sent, mimetype=MEDIA_TYPE, direct_passthrough=True)
        answer.headers["Cache-Control"] = "no-store"
        return answer

    @flask.get("/live/now")
    def live_now() -> Response:
        answer = Response(streams.once(view_of(request.args)), mimetype=MEDIA_TYPE)
        answer.headers["Cache-Control"] = "no-store"
        return answer

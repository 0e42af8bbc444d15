"""What the Live screen shows: pictures for the canvas, and facts for everything else.

All tabs share one of these. A picture or a set of facts is made at most once per refresh, however many
tabs ask; the only state is what keeps the picture steady and the digits still.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard import tiles
from dashboard.channels import described, limits, picture_channels
from dashboard.digits import SteadyDigits
from dashboard.picture import Picture, reduce_columns, steady_window
from dashboard.reading import Desk, Reading
from dashboard.words import Sentence, Situation, Tone, sentence
from livesense.errors import LivesenseError

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis, Window
    from livesense.logbook.reader import RunReader

FACTS_EVERY_S = 0.5
LATELY_S = 10.0
MEASURED_S = 0.5
"""Length of the stretch the tiles are measured on."""
BUSY_SHARE = 0.4
"""Share of a processor that measuring may take."""
SEARCH_S = 2.1
"""Long enough for three rising crossings at 2 Hz and a bit."""
HELD_S = 0.4
"""A steady picture stays this long when its cycles cannot be found, as after a gap."""
EVENTS_SHOWN = 6
SPANS_S = (0.2, 2.0, 10.0)
"""Widths a running picture may have."""
OLD_AT_FIRST_S = 5.0
UNASKED_S = 5.0
"""After this time without a question no more facts are made."""

_NO_SETUP: dict[str, Any] = {"run": None, "channels": [], "limits": []}
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class View:
    """How one tab wants its picture: steady if it can be, else a running one of this width."""

    steady: bool
    span_s: float
    columns: int


@dataclass
class _Kept:
    """What one view remembers from picture to picture."""

    made_at: float = -math.inf
    run: int | None = None
    newest: int = -1
    span_s: float | None = None
    reach_s: float | None = None
    held: Picture | None = None
    found_at: float = -math.inf
    picture: Picture | None = None


@dataclass
class _Tally:
    """Counts of the last ten seconds, from running totals."""

    seen: deque[tuple[float, int, dict[str, int]]] = field(default_factory=deque)

    def lately(self, now: float, lost: int, faults: Mapping[str, int]) -> tuple[int, dict[str, int]]:
        self.seen.append((now, lost, dict(faults)))
        while len(self.seen) > 1 and self.seen[1][0] <= now - LATELY_S:
            self.seen.popleft()
        _, lost_then, faults_then = self.seen[0]
        grown = {kind: count - faults_then.get(kind, 0) for kind, count in faults.items()}
        return lost - lost_then, {kind: count for kind, count in grown.items() if count > 0}


class Live:
    """Pictures and facts of the run that Live shows.

    Facts are made by a thread of their own, because measuring takes longer than one picture may; it
    works only while somebody asks.
    """

    def __init__(self, reading: Reading, frames_per_s: float) -> None:
        self._reading = reading
        self._frame_s = 1.0 / frames_per_s
        self._picture_lock = threading.Lock()
        self._views: dict[View, _Kept] = {}
        self._run: int | None = None
        self._digits = SteadyDigits()
        self._tally = _Tally()
        self._scans_seen: int | None = None
        self._grew_at = 0.0
        self._figures: tuple[dict[str, Any], str] = ({}, "")
        self._measured_scans = -1
        self._measure_next = -math.inf
        self._events: list[dict[str, Any]] = []
        self._facts_ready = threading.Condition()
        self._now: tuple[dict[str, Any], dict[str, Any]] | None = None
        self._building: dict[str, Any] = _NO_SETUP
        self._asked_at = -math.inf
        self._worker: threading.Thread | None = None
        self._stopped = False

    # -- facts ---------------------------------------------------------------------------------

    def facts(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return (setup, facts): what is drawn, and sentence, tiles, events and link health.

        They are replaced twice a second, never changed, so that identity tells whether they are new.
        """
        with self._facts_ready:
            self._asked_at = time.monotonic()
            if self._worker is None and not self._stopped:
                self._now = None
                self._worker = threading.Thread(target=self._work, name="livesense facts", daemon=True)
                self._worker.start()
            self._facts_ready.wait_for(lambda: self._now is not None or self._stopped)
            return self._now or (_NO_SETUP, self._trouble("The page is shutting down."))

    def close(self) -> None:
        """Stop making facts."""
        with self._facts_ready:
            self._stopped = True
            self._facts_ready.notify_all()
            worker = self._worker
        if worker is not None:
            worker.join()

    def _work(self) -> None:
        while True:
            began = time.monotonic()
            try:
                facts = self._new_facts(began)
            except LivesenseError as error:
                facts = self._trouble(str(error))
            except Exception as error:
                _log.exception("facts for the live page")
                facts = self._trouble(f"{type(error).__name__}: {error}")
            with self._facts_ready:
                self._now = (self._building, facts)
                self._facts_ready.notify_all()
                rest = FACTS_EVERY_S - (time.monotonic() - began)
                self._facts_ready.wait_for(lambda: self._stopped, timeout=max(0.05, rest))
                if self._stopped or time.monotonic() - self._asked_at > UNASKED_S:
                    self._worker = None
                    return

    def _trouble(self, text: str) -> dict[str, Any]:
        said = Sentence(Tone.FAULT, "The logbook cannot be read.", text)
        return {"run": self._run, "sentence": _sentence_json(said), "tiles": [], "events": [], "link": []}

    def _new_facts(self, now: float) -> dict[str, Any]:
        with self._reading.desk() as desk:
            number = desk.newest() if desk is not None else None
            if desk is None or number is None:
                self._show(None, None)
                said = sentence(Situation())
                return {
                    "run": None,
                    "sentence": _sentence_json(said),
                    "tiles": tiles.empty("nothing is recorded"),
                    "events": [],
                    "link": [],
                }
            analysis = desk.run(number)
            self._show(number, analysis)
            return self._run_facts(now, analysis)

    def _show(self, number: int | None, analysis: RunAnalysis | None) -> None:
        described_groups = bool(analysis is not None and analysis.run.groups)
        if number == self._run and bool(self._building["channels"]) == described_groups:
            return
        self._run = number
        self._digits, self._tally = SteadyDigits(), _Tally()
        self._scans_seen, self._measured_scans, self._measure_next = None, -1, -math.inf
        self._figures, self._events = ({}, ""), []
        if analysis is None or not described_groups:
            self._building = _NO_SETUP | {"run": number}
            return
        chosen = picture_channels(analysis.channels)
        self._building = {
            "run": number,
            "name": analysis.run.row.name,
            "bench": analysis.bench.name,
            "started": analysis.run.row.started_wall_s,
            "channels": described(chosen),
            "limits": limits(analysis.bench.watches, chosen),
        }

    def _run_facts(self, now: float, analysis: RunAnalysis) -> dict[str, Any]:
        run = analysis.run
        health = tiles.link_health(run)
        health = replace(health, age_s=self._age_s(now, run, health.scans))
        lost_lately, faults_lately = self._tally.lately(now, health.lost or 0, health.faults)
        newest_s = analysis.extent_s()[1] if health.scans else 0.0
        measured, why = self._measured(now, analysis, newest_s, health.scans)
        newest = self._newest_events(analysis)
        said = sentence(
            Situation(
                state=run.row.state,
                run=run.row.number,
                ended=run.row.ended,
                ended_ago_s=health.age_s,
                age_s=health.age_s,
                port=run.row.port,
                outage=health.outage,
                scans=health.scans,
                events=newest,
                newest_s=newest_s,
                lost_lately=lost_lately,
                faults_lately=faults_lately,
                phases=[c["name"] for c in self._building["channels"] if c["quantity"] == "current"],
                ranges={
                    c["name"]: max(abs(c["low"]), abs(c["high"]))
                    for c in self._building["channels"]
                    if c["low"] is not None and c["high"] is not None
                },
                measured=measured,
            )
        )
        return {
            "run": run.row.number,
            "state": run.row.state,
            "sentence": _sentence_json(said),
            "tiles": tiles.tiles(self._building["channels"], measured, self._digits, why),
            "events": [tiles.event_row(row) for row in newest[:EVENTS_SHOWN]],
            "event_count": run.row.events,
            "link": tiles.link_rows(run.row.state, health, lost_lately, faults_lately),
            "age_s": health.age_s,
        }

    def _measured(
        self, now: float, analysis: RunAnalysis, newest_s: float, scans: int
    ) -> tuple[dict[str, Any], str]:
        """Figures of the newest stretch, and why there are none.

        Where measuring is slow for this computer, it is done less often rather than all the time.
        """
        if not scans:
            return {}, "no scan has come yet"
        if now < self._measure_next or scans == self._measured_scans:
            return self._figures
        self._measured_scans = scans
        began = time.monotonic()
        try:
            self._figures = analysis.measure(max(0.0, newest_s - MEASURED_S), newest_s), ""
        except (LivesenseError, ValueError) as error:
            self._figures = {}, str(error)
        cost_s = time.monotonic() - began
        self._measure_next = now + max(FACTS_EVERY_S * 0.9, cost_s / BUSY_SHARE)
        return self._figures

    def _newest_events(self, analysis: RunAnalysis) -> list[dict[str, Any]]:
        """Events, newest first; read again only when there are more of them or one was still open."""
        count = analysis.run.row.events
        if count != len(self._events) or any(row["end_scan"] is None for row in self._events):
            rows = analysis.events()
            self._events = sorted(rows, key=lambda row: row.get("start_scan") or 0, reverse=True)
        return self._events

    def _age_s(self, now: float, run: RunReader, scans: int) -> float | None:
        """Age of the newest data: since when their number has not grown, as seen from here."""
        if run.row.state != "recording":
            row = run.health()
            ended = run.row.ended_wall_s or (row.wall_s if row is not None else None)
            return None if ended is None else max(0.0, time.time() - ended)
        if scans != self._scans_seen:
            if self._scans_seen is None and scans:
                # The first look: its clock may drift from ours, so small ages are not believed.
                silent_s = time.time() - run.row.started_wall_s - run.row.seconds
                self._grew_at = now - (silent_s if silent_s > OLD_AT_FIRST_S else 0.0)
            else:
                self._grew_at = now
            self._scans_seen = scans
        return now - self._grew_at

    # -- pictures ------------------------------------------------------------------------------

    def picture(self, view: View) -> Picture | None:
        """Return the newest picture of a view; None when there is nothing to show."""
        setup, _ = self.facts()
        with self._picture_lock:
            kept = self._views.setdefault(view, _Kept())
            now = time.monotonic()
            if now - kept.made_at < self._frame_s * 0.9:
                return kept.picture
            kept.made_at = now
            if len(self._views) > 32:
                self._views = {v: k for v, k in self._views.items() if now - k.made_at < 60.0}
            run, names = setup["run"], [c["name"] for c in setup["channels"]]
            if run is None or not names:
                kept.picture = None
                return None
            try:
                with self._reading.desk() as desk:
                    kept.picture = self._new_picture(desk, setup, view, kept, now) if desk else None
            except LivesenseError:
                kept.picture = None  # the facts say why
            return kept.picture

    def _new_picture(
        self, desk: Desk, setup: dict[str, Any], view: View, kept: _Kept, now: float
    ) -> Picture | None:
        run, names = setup["run"], [c["name"] for c in setup["channels"]]
        analysis = desk.run(run, fresh=False)
        if kept.run != run:
            kept.run, kept.span_s, kept.reach_s, kept.held, kept.newest = run, None, None, None, -1
        group = int(setup["channels"][0]["group"])
        newest = analysis.run.extent(group)[1]
        if newest == kept.newest and kept.picture is not None:
            return kept.picture
        kept.newest = newest
        if view.steady:
            picture = self._steady(analysis, group, names, view, kept, now)
            if picture is not None:
                return picture
        return self._running(analysis, group, names, view)

    def _steady(
        self, analysis: RunAnalysis, group: int, names: list[str], view: View, kept: _Kept, now: float
    ) -> Picture | None:
        reaches = [SEARCH_S] if kept.reach_s is None else [kept.reach_s, SEARCH_S]
        for reach_s in reaches:
            window = analysis.latest(reach_s, names).get(group)
            if window is None or len(window.time_s) < 16 or not window.rate_hz:
                continue
            found = steady_window(window.values[names[0]], window.rate_hz, kept.span_s)
            if found is None:
                continue
            start, span_s, frequency_hz = found
            kept.span_s, kept.found_at = span_s, now
            kept.reach_s = min(SEARCH_S, span_s + 2.0 / frequency_hz)
            first = max(0, math.floor(start))
            last = min(len(window.time_s), math.ceil(start + span_s * window.rate_hz) + 1)
            left_s = float(window.time_s[0]) + start / window.rate_hz
            kept.held = _drawn(window, names, first, last, left_s, span_s, view.columns, frequency_hz)
            return kept.held
        if kept.held is not None and now - kept.found_at < HELD_S:
            return kept.held
        kept.reach_s = kept.span_s = kept.held = None
        return None

    def _running(self, analysis: RunAnalysis, group: int, names: list[str], view: View) -> Picture | None:
        window = analysis.latest(view.span_s, names).get(group)
        if window is None or not len(window.time_s) or not window.rate_hz:
            return None
        right_s = float(window.time_s[-1])
        left_s = right_s - view.span_s
        return _drawn(window, names, 0, len(window.time_s), left_s, view.span_s, view.columns, math.nan)


def _drawn(
    window: Window,
    names: list[str],
    first: int,
    last: int,
    left_s: float,
    span_s: float,
    columns: int,
    frequency_hz: float,
) -> Picture:
    """Points first … last-1 of a window as a picture, reduced when there are over two a column."""
    assert window.rate_hz
    period_s = 1.0 / window.rate_hz
    values = np.stack([window.values[name][first:last] for name in names])
    clipped = np.stack([window.clipped[name][first:last] for name in names])
    x0_s, dx_s = float(window.time_s[first]) - left_s, period_s
    reduced = values.shape[1] > 2 * columns
    if reduced:
        per_column = math.ceil(values.shape[1] / columns)
        values, clipped, began = reduce_columns(values, clipped, window.first + first, per_column)
        x0_s += (began - window.first - first + per_column / 4.0) * period_s
        dx_s = per_column * period_s / 2.0
    return Picture(
        steady=math.isfinite(frequency_hz),
        left_s=left_s,
        span_s=span_s,
        x0_s=x0_s,
        dx_s=dx_s,
        values=values.astype(np.float32),
        clipped=clipped.astype(np.uint8),
        reduced=reduced,
        frequency_hz=frequency_hz,
        newest_s=float(window.time_s[last - 1]),
    )


def _sentence_json(said: Sentence) -> dict[str, str]:
    return {"tone": said.tone.value, "text": said.text, "advice": said.advice}

"""What the Live screen shows: pictures for the canvas, and facts for everything else.

All tabs share one of these. A picture or a set of facts is made at most once per refresh, however many
tabs ask; the only state is what keeps the picture steady and the digits still.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from dashboard import tiles
from dashboard.changing import changes
from dashboard.channels import described, limits, picture_channels
from dashboard.digits import SteadyDigits
from dashboard.drive_state import drive_states
from dashboard.evenness import SteadyEvenness
from dashboard.follow import Choice, Follow
from dashboard.marks import marks
from dashboard.picture import Picture
from dashboard.pictures import Pictures, View
from dashboard.reading import Reading
from dashboard.signs import Signs, Tally
from dashboard.situation import Sentence, Situation, Tone, is_old
from dashboard.trend import LONGEST_S, Trend
from dashboard.vectors import vectors
from dashboard.words import sentence
from livesense.errors import LivesenseError
from livesense.stretch_now import newest_stretch

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

FACTS_EVERY_S = 0.5
MEASURED_S = 0.5
"""Length of the stretch the tiles are measured on."""
BUSY_SHARE = 0.4
"""Share of a processor that measuring may take."""
EVENTS_READ = 50
"""Events looked at, the latest ones; an hour of chatter must not make each look slower."""

EVENTS_SHOWN = 6
UNASKED_S = 5.0
"""After this time without a question no more facts are made."""

_NO_SETUP: dict[str, Any] = {"run": None, "channels": [], "limits": []}
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Figures:
    """What was measured, or why not; ``to_s`` is the run time of its end."""

    measured: dict[str, Any] = field(default_factory=dict)
    why: str = ""
    changing: dict[str, str] = field(default_factory=dict)
    to_s: float | None = None
    vectors: dict[str, Any] = field(default_factory=dict)


class Live:
    """Pictures and facts of the run that Live shows.

    Facts are made by a thread of their own, because measuring takes longer than one picture may; it
    works only while somebody asks.
    """

    def __init__(self, reading: Reading, frames_per_s: float) -> None:
        self._reading = reading
        self._pictures = Pictures(reading, frames_per_s)
        self._run: int | None = None
        self._digits = SteadyDigits()
        self._follow = Follow()
        self._tally, self._signs = Tally(), Signs()
        self._figures = _Figures()
        self._even = SteadyEvenness()
        self._trend = Trend([])
        self._trend_json: dict[str, Any] = {}
        self._measured_scans = -1
        self._measure_next = -math.inf
        self._events: list[dict[str, Any]] = []
        self._events_counted = 0
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
        return {
            "run": self._run,
            "sentence": _sentence_json(said),
            "tiles": [],
            "withheld": [],
            "events": [],
            "link": [],
            "old": True,
        }

    def _new_facts(self, now: float) -> dict[str, Any]:
        with self._reading.desk() as desk:
            choice = Choice(None)
            if desk is not None:
                choice = self._follow.choose(
                    now, desk.recording(), desk.newest(), desk.state, desk.newest_with_scans
                )
            if desk is None or choice.shown is None:
                self._show(None, None)
                rows = tiles.empty("nothing is recorded")
                return {
                    "run": None,
                    "sentence": _sentence_json(sentence(Situation())),
                    "tiles": rows,
                    "withheld": tiles.reasons(rows),
                    "events": [],
                    "link": [],
                    "old": True,
                }
            analysis = desk.run(choice.shown)
            self._show(choice.shown, analysis)
            return self._run_facts(now, analysis, choice)

    def _show(self, number: int | None, analysis: RunAnalysis | None) -> None:
        described_groups = bool(analysis is not None and analysis.run.groups)
        if number == self._run and bool(self._building["channels"]) == described_groups:
            return
        self._run = number
        self._digits, self._tally, self._signs = SteadyDigits(), Tally(), Signs()
        self._measured_scans, self._measure_next = -1, -math.inf
        self._figures, self._events, self._events_counted = _Figures(), [], 0
        self._even, self._trend, self._trend_json = SteadyEvenness(), Trend([]), {}
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
            "limits": limits(analysis.bench.rules, chosen),
        }
        self._trend = Trend(self._building["channels"])

    def _run_facts(self, now: float, analysis: RunAnalysis, choice: Choice) -> dict[str, Any]:
        run = analysis.run
        health = tiles.link_health(run)
        ages = self._signs.ages(now, run, health.scans)
        health = replace(health, age_s=ages.data_s)
        lost_lately, faults_lately = self._tally.lately(now, health.lost or 0, health.faults)
        newest_s = analysis.extent_s()[1] if health.scans else 0.0
        figures = self._figures = self._measured(now, analysis, newest_s, health.scans)
        motor = analysis.bench.motor
        newest = self._newest_events(analysis)
        situation = Situation(
            state=run.row.state,
            run=run.row.number,
            ended=run.row.ended,
            ended_ago_s=ages.data_s,
            age_s=ages.data_s,
            bytes_age_s=ages.bytes_s,
            sign_age_s=ages.recorder_s,
            waiting_bytes=ages.waiting_bytes,
            others=choice.others,
            others_away=choice.away,
            died=[(number, time.time() - sign_wall_s) for number, sign_wall_s in choice.died],
            newer=choice.newer,
            watched=bool(analysis.bench.rules),
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
            measured=figures.measured,
            forward=None if motor is None else motor.sequence,
            even=self._even.of(figures.measured),
            stretch=_stretch(analysis, figures.measured),
        )
        rows = tiles.tiles(
            self._building["channels"],
            figures.measured,
            self._digits,
            figures.why,
            figures.changing,
            drive_states(analysis) if health.scans else (),
        )
        return {
            "run": run.row.number,
            "state": run.row.state,
            "sentence": _sentence_json(sentence(situation)),
            "tiles": rows,
            "withheld": tiles.reasons(rows),
            "events": [tiles.event_row(row, run.row.state == "recording") for row in newest[:EVENTS_SHOWN]],
            "event_count": run.row.events,
            "link": tiles.link_rows(run.row.state, health, lost_lately, faults_lately),
            "age_s": ages.data_s,
            "old": is_old(situation),
            "measured_to_s": figures.to_s,
            "vectors": figures.vectors,
            "marks": marks(analysis, newest_s - LONGEST_S),
        }

    def _measured(self, now: float, analysis: RunAnalysis, newest_s: float, scans: int) -> _Figures:
        """Figures of the newest stretch, or why there are none.

        Where measuring is slow for this computer, it is done less often rather than all the time.
        """
        if not scans:
            return _Figures(why="no scan has come yet")
        if now < self._measure_next or scans == self._measured_scans:
            return self._figures
        self._measured_scans = scans
        began = time.monotonic()
        try:
            measured = analysis.measure(max(0.0, newest_s - MEASURED_S), newest_s)
            changing = changes(analysis, self._building["channels"], measured)
            drawn = vectors(analysis, self._building["channels"], measured, newest_s)
            figures = _Figures(measured, "", changing, newest_s, drawn)
            self._trend.add(newest_s, measured)
            self._trend_json = self._trend.as_json(analysis)
        except (LivesenseError, ValueError) as error:
            figures = _Figures(why=str(error), to_s=newest_s)
        cost_s = time.monotonic() - began
        self._measure_next = now + max(FACTS_EVERY_S * 0.9, cost_s / BUSY_SHARE)
        return figures

    def _newest_events(self, analysis: RunAnalysis) -> list[dict[str, Any]]:
        """Return the latest events, newest first; read again only when there are more or one is open."""
        row = analysis.run.row
        is_open = row.state == "recording" and any(event["end_scan"] is None for event in self._events)
        if row.events != self._events_counted or is_open:
            self._events_counted = row.events
            rows = analysis.events(newest=EVENTS_READ)
            self._events = sorted(rows, key=lambda row: row.get("start_scan") or 0, reverse=True)
        return self._events

    def trend(self) -> dict[str, Any]:
        """Return the lines of the last minutes, as they were when the newest figures were made."""
        return self._trend_json

    # -- pictures ------------------------------------------------------------------------------

    def picture(self, view: View) -> Picture | None:
        """Return the newest picture of a view; None when there is nothing to show."""
        setup, _ = self.facts()
        return self._pictures.newest(setup, view)


def _stretch(analysis: RunAnalysis, measured: dict[str, Any]) -> dict[str, Any] | None:
    """Look what the machine does, where it has no speed that can be stated though current flows."""
    if not measured or (measured.get("speed") or {}).get("rpm") is not None:
        return None
    try:
        found = newest_stretch(analysis)
    except (LivesenseError, ValueError):
        return None
    return None if found is None or found["kind"] in ("standstill", "steady") else found


def _sentence_json(said: Sentence) -> dict[str, str]:
    return {"tone": said.tone.value, "text": said.text, "advice": said.advice}

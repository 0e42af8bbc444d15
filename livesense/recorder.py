"""The live composer: link → wire → timebase → logbook, with chain and watch on the way.

A reader thread only reads (:mod:`livesense.link`); everything else happens in
the thread that calls :meth:`Recorder.run`. Each turn of its loop takes what has
come, decodes it, has it placed, stored and watched (:mod:`livesense.intake`);
a commit follows every 50 ms.
"""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

from livesense import __version__
from livesense.bringup.kept import read_asked, walk_row
from livesense.calibrated import NOTHING, InUse, in_use_now
from livesense.decoding import decoder_for, same_groups, unfit_header
from livesense.errors import LivesenseError
from livesense.intake import Intake
from livesense.link.queue import Chunk, LinkDown, LinkEnd, LinkItem, LinkQueue, LinkUp, Overflow
from livesense.link.reader import LinkReader, arrival_now
from livesense.live_points import discard_of_run, point_of_run, scale_of_run
from livesense.live_walk import walk_of_run
from livesense.live_zero import zero_of_run
from livesense.logbook.retention import Keeping
from livesense.logbook.writer import FLOOR_BYTES, LogbookWriter, RunWriter
from livesense.outages import Away, Outages
from livesense.record_settings import Ended, Progress, RecordSettings
from livesense.samples import Arrival, Description, GapCause, GroupInfo, LinkFault, Note, Packets
from livesense.timetext import run_seconds
from livesense.wire.framed import FramedDecoder

SWITCH_S = 0.0005
"""The reader thread waits at most about this long for its turn: Python's own 5 ms would let the small
buffer of a fast port fill up whenever the worker computes."""

COMMIT_S = 0.05
"""How much may be lost when the process is killed, beside what is still on its way here."""

TURN_S = COMMIT_S
"""A live line is looked at this often: nobody sees scans before they are committed, and many small pieces
cost more than a few larger ones."""

COMMIT_SLACK = 0.9
"""A turn that begins a little early must not put the commit off to the next one."""

PIECE_BYTES = 1 << 20
"""Most bytes decoded in one go."""

REQUESTS_S = 0.2
RATES_S = 2.0
HEALTH_S = 1.0
PROGRESS_S = 0.5

DESCRIPTION_WAIT_S = 5.0
"""Samples that nothing describes wait this long; devices describe themselves each second."""


class Recorder:
    """Records until something ends it.

    ``stop`` may be set from a signal handler or another thread. ``tell`` gets
    one line for everything worth telling while it runs; ``progress`` is called
    about twice a second.
    """

    def __init__(
        self,
        settings: RecordSettings,
        *,
        tell: Callable[[str], None] = lambda text: None,
        progress: Callable[[Progress], None] | None = None,
    ) -> None:
        self.stop = threading.Event()
        self._settings = settings
        self._listener = tell
        self._progress = progress
        self._queue = LinkQueue(settings.queue_limit_bytes)
        self._live = settings.address.has_clock
        self._decoder = decoder_for(settings.bench, live=self._live)
        self._groups = tuple(self._decoder.groups or ())
        """As known where the stream is looked at; the decoder may know of later ones in the same read."""
        self._writer: LogbookWriter | None = None
        self._run: RunWriter | None = None
        self._outages: Outages | None = None
        self._intake: Intake | None = None
        self._used = NOTHING
        self._runs: list[int] = []
        self._faults: Counter[str] = Counter()
        self._opened_s = 0.0
        self._started_wall_s = 0.0
        self._bytes = 0
        self._scans_before = 0
        self._last_arrival_wall_s: float | None = None
        self._first_byte_s: float | None = None
        self._first_scan_s: float | None = None
        self._run_scan_s: float | None = None
        self._waiting_since_s: float | None = None
        self._down_at_s: float | None = None
        self._health_at_s = float("-inf")
        self._description: Description | None = None
        self._link_state = "opening"
        self._ended: Ended | None = None
        self._error: str | None = None

    # The loop

    def run(self) -> dict[str, Any]:
        """Record; returns what the `record` command prints.

        Raises
        ------
        LogbookError
            when the logbook cannot be opened.
        """
        settings = self._settings
        reader = LinkReader(
            settings.address,
            settings.bench.link.baud,
            self._queue,
            send=settings.send,
            wait=settings.wait,
            until_closed=settings.until_closed,
        )
        if settings.wait or settings.logbook.exists():
            # A logbook that cannot be used is told before a long wait.
            self._open_logbook()
        switch_s = sys.getswitchinterval()
        sys.setswitchinterval(SWITCH_S)
        try:
            reader.start()
            try:
                self._loop()
            except LivesenseError as error:
                self._fail(str(error))
            finally:
                reader.stop()
            self._guarded(self._take_rest)
            self._guarded(self._end_run)
            return self._summary()
        finally:
            sys.setswitchinterval(switch_s)
            if self._writer is not None:
                self._writer.close()

    def _guarded(self, step: Callable[[], None]) -> None:
        """Do a closing step; what fails is told, and the steps after it still run."""
        try:
            step()
        except LivesenseError as error:
            self._fail(str(error))

    def _tell(self, text: str) -> None:
        # A terminal that went away must not end a recording.
        with contextlib.suppress(OSError):
            self._listener(text)

    def _show(self, progress: Callable[[Progress], None]) -> None:
        try:
            progress(self.look())
        except OSError:
            self._progress = None

    def _fail(self, text: str) -> None:
        if self._error is None:
            self._error = text
        self._ended = Ended.ERROR

    def _loop(self) -> None:
        last_commit_s = last_rates_s = last_requests_s = last_progress_s = time.monotonic()
        while self._ended is None:
            turn_s = time.monotonic()
            self._take(self._queue.take(TURN_S))
            now_s = time.monotonic()
            if now_s - last_commit_s >= COMMIT_SLACK * COMMIT_S:
                self._commit()
                last_commit_s = now_s
            if now_s - last_rates_s >= RATES_S and self._intake is not None:
                self._intake.store_rates()
                last_rates_s = now_s
            if now_s - last_requests_s >= REQUESTS_S:
                self._answer_requests()
                last_requests_s = now_s
            if self._progress is not None and now_s - last_progress_s >= PROGRESS_S:
                self._show(self._progress)
                last_progress_s = now_s
            self._check_ends(now_s)
            if self._live and self._queue.waiting_bytes < PIECE_BYTES // 4:
                time.sleep(max(0.0, turn_s + TURN_S - time.monotonic()))

    def _check_ends(self, now_s: float) -> None:
        if self._ended is not None:
            return
        if self.stop.is_set():
            self._ended = Ended.ASKED
        elif self._settings.duration_s is not None:
            begun_s = self._first_scan_s if self._first_scan_s is not None else self._first_byte_s
            if begun_s is None and self._run is not None:
                begun_s = self._opened_s
            if begun_s is not None and now_s - begun_s >= self._settings.duration_s:
                self._ended = Ended.TIME
        if not self._waiting:
            self._waiting_since_s = None
        elif self._waiting_since_s is None:
            self._waiting_since_s = now_s
        elif self._live and now_s - self._waiting_since_s > DESCRIPTION_WAIT_S:
            self._fail(_NO_DESCRIPTION)

    def _take_rest(self) -> None:
        """Take what was read before the end; a device goes on sending, so there is always some."""
        if self._ended is not Ended.ERROR:
            self._take(self._queue.take(0.0))
        arrival = arrival_now() if self._live else None
        self._handle(self._decoder.finish(), arrival, time.time())

    def _take(self, items: Sequence[LinkItem]) -> None:
        pieces: list[Chunk] = []
        size = 0
        for item in items:
            if isinstance(item, Chunk):
                pieces.append(item)
                size += len(item.data)
                if size < PIECE_BYTES:
                    continue
            self._decode(pieces)
            if size >= PIECE_BYTES:
                # All that waits may be 64 MB: more than should be at stake, or fits a disk nearly full.
                self._commit()
            pieces, size = [], 0
            if not isinstance(item, Chunk):
                self._link_changed(item)
        self._decode(pieces)

    def _decode(self, pieces: Sequence[Chunk]) -> None:
        if not pieces:
            return
        data = b"".join(piece.data for piece in pieces)
        self._bytes += len(data)
        if self._first_byte_s is None:
            self._first_byte_s = time.monotonic()
        # The last packet of the joined pieces has just come: its arrival is the last piece's.
        arrival = pieces[-1].arrival
        self._last_arrival_wall_s = arrival.wall_s if arrival else time.time()
        self._handle(self._decoder.feed(data), arrival, arrival.wall_s if arrival else time.time())

    def _link_changed(self, item: LinkItem) -> None:
        match item:
            case LinkUp():
                self._link_state = "open"
                if self._run is None:
                    self._opened_s = time.monotonic()
                    self._begin_run(item.wall_s)
                elif self._down_at_s is not None and self._outages is not None:
                    # The wall clock may have been set meanwhile; the other one was not.
                    away_s = time.monotonic() - self._down_at_s
                    self._outages.ends(away_s)
                    self._tell(f"the port is back after {away_s:.1f} s")
                self._down_at_s = None
            case LinkDown():
                self._link_state = "away"
                self._down_at_s = time.monotonic()
                if self._outages is not None:
                    seen = self._intake.groups_seen if self._intake is not None else []
                    self._outages.begins(item.wall_s, item.text, seen)
                self._tell(f"{item.text}; waiting for it to come back")
                self._bytes_lost(GapCause.OUTAGE, item.wall_s)
            case Overflow():
                self._tell(f"this computer fell behind: {item.count} bytes were dropped, counted as a gap")
                self._bytes_lost(GapCause.HOST, time.time())
            case LinkEnd(error=None):
                self._ended = self._ended or Ended.CLOSED
            case LinkEnd():
                self._fail(item.error or "the link failed")
            case _:
                raise AssertionError(item)

    def _bytes_lost(self, cause: GapCause, wall_s: float) -> None:
        self._decoder.rejoin()
        if self._intake is not None:
            self._intake.interrupted(cause, wall_s)

    # Decoded events

    def _handle(
        self,
        events: Sequence[Packets | Description | Note | LinkFault],
        arrival: Arrival | None,
        wall_s: float,
    ) -> None:
        for event in events:
            match event:
                case Packets():
                    if self._intake is None:
                        self._begin_intake(self._groups, None)
                    assert self._intake is not None
                    self._intake.packets(event, arrival, wall_s)
                    if self._run_scan_s is None:
                        self._run_scan_s = time.monotonic()
                        self._first_scan_s = self._first_scan_s or self._run_scan_s
                case Description():
                    self._described(event, wall_s)
                case Note():
                    self._note(event.text, wall_s, "device")
                case LinkFault():
                    self._fault(event, wall_s)

    def _fault(self, fault: LinkFault, wall_s: float) -> None:
        self._faults[str(fault.kind)] += fault.count
        if self._run is not None:
            self._run.fault(fault, wall_s)

    def _note(self, text: str, wall_s: float, source: str) -> None:
        if self._run is not None:
            self._run.note(text, wall_s, scan=self._intake.next_scan if self._intake else None, source=source)

    def _described(self, description: Description, wall_s: float) -> None:
        intake = self._intake
        self._groups = description.groups
        if intake is None:
            self._begin_intake(description.groups, description)
        elif intake.counted == description.counted and same_groups(intake.groups, description.groups):
            intake.description(description, wall_s)
        else:
            self._tell("the device now sends other channels, counter or clock: a new run begins")
            self._end_run(Ended.CLOSED)
            self._begin_run(wall_s)
            # Whatever it says, the new run has not been told it.
            self._description = None
            self._begin_intake(description.groups, description)
        if self._run is not None and (
            self._description is None or description.text != self._description.text
        ):
            self._run.describe(description.text)
        self._description = description

    # Runs

    def _open_logbook(self) -> None:
        floor_bytes = self._settings.bench.keep.free_bytes or FLOOR_BYTES
        self._writer = LogbookWriter(self._settings.logbook, floor_bytes=floor_bytes)

    def _begin_run(self, wall_s: float) -> None:
        settings = self._settings
        bench = settings.bench
        if self._writer is None:
            # Not before the port is open: a port that is not there leaves no empty logbook behind.
            self._open_logbook()
        assert self._writer is not None
        self._run = self._writer.start_run(
            name=settings.name,
            bench_name=bench.name,
            bench_text=bench.text,
            bench_path=bench.path,
            version=__version__,
            port=settings.address.given,
            wire=bench.link.wire,
            started_wall_s=wall_s,
        )
        if bench.keep.drops:
            keep = bench.keep
            self._run.retain(Keeping(keep.raw_s, keep.size_bytes, keep.around_s, keep.event_s))
        self._started_wall_s = wall_s
        self._outages = Outages(self._run.outage)
        self._runs.append(self._run.number)
        self._faults = Counter()

    def _begin_intake(self, groups: Sequence[GroupInfo], description: Description | None) -> None:
        assert self._run is not None
        assert self._outages is not None
        used = self._used = self._calibrations(description.device if description is not None else "")
        self._intake = Intake(
            self._settings.bench,
            groups,
            self._run,
            self._outages,
            boot=description.boot if description is not None else None,
            counted=self._counts if description is None else description.counted,
            shown_names=description.shown_names if description is not None else (),
            faults=self._faults,
            calibration=used.calibration,
        )
        self._run.use_calibrations(used.numbers, time.time(), __version__)
        for warning in (*self._intake.chain.warnings, *used.warnings):
            self._tell(warning)
            self._note(warning, time.time(), "livesense")
        for group, shown in description.shown_names if description is not None else ():
            self._tell(f"channel {shown!r} of the device is stored as {group}")

    def _calibrations(self, device: str) -> InUse:
        """Find what the logbook holds for this bench and its boards; what comes later is for later runs."""
        assert self._writer is not None
        return in_use_now(self._writer.select, self._settings.bench, self._started_wall_s, device)

    def _end_run(self, ended: Ended | None = None) -> None:
        """Close the run that is being recorded; a second call does nothing."""
        run, self._run = self._run, None
        if run is None:
            return
        if self._intake is not None:
            self._intake.finish(time.time())
        anything = self._scans or self._scans_before or ended is not None
        if self._ended is not Ended.ERROR and not anything and self._bytes:
            self._fail(self._nothing_accepted())
        self._scans_before += self._scans
        final = ended or self._ended or Ended.ERROR
        run.finish(str(final), time.time(), self._summary() | {"ended": str(final)})
        self._run_scan_s = None
        if ended is not None:
            self._intake = None

    @property
    def _counts(self) -> bool:
        """Whether a device that does not describe itself counts its scans."""
        layout = self._settings.bench.link.record
        return layout is None or layout.counter is not None

    @property
    def _waiting(self) -> bool:
        """Whether scans came that nothing describes."""
        return isinstance(self._decoder, FramedDecoder) and self._decoder.waiting

    @property
    def _scans(self) -> int:
        return self._intake.scans if self._intake is not None else 0

    def _nothing_accepted(self) -> str:
        wire = self._settings.bench.link.wire
        if self._waiting:
            return _NO_DESCRIPTION
        if self._intake is not None and not self._faults:
            return f"{self._bytes} bytes came, but the device only described itself: is sampling started?"
        faults = ", ".join(f"{kind} {count}" for kind, count in self._faults.most_common())
        return (
            f"{self._bytes} bytes came but no scan was accepted on the {wire!r} wire "
            f"({faults or 'nothing that looks like a frame, line or record'}): "
            f"{unfit_header(self._settings.bench, self._decoder) or _CHECK_LINK}"
        )

    # Chores

    def _commit(self) -> None:
        if self._run is None:
            return
        now_s = time.monotonic()
        if now_s - self._health_at_s >= HEALTH_S:
            # Not with each commit: an idle line would then write gigabytes a day for nothing.
            self._health_at_s = now_s
            self._run.health(
                wall_s=time.time(),
                bytes_read=self._bytes,
                last_arrival_wall_s=self._last_arrival_wall_s,
                waiting_bytes=self._queue.waiting_bytes,
                link=self._link_state,
            )
        self._run.commit()

    def _answer_requests(self) -> None:
        if self._run is None or self._writer is None:
            return
        for request in self._run.requests():
            if request.kind == "stop":
                self._ended = self._ended or Ended.ASKED
                answer = "stopping"
            elif request.kind == "note":
                self._note(request.text, time.time(), "user")
                answer = "noted"
            elif request.kind == "zero":
                # Of what is in the logbook: everything until now.
                self._run.commit()
                answer = zero_of_run(self._writer, self._settings.bench, self._run.number)
                self._tell(answer)
            elif request.kind == "walk":
                self._run.commit()
                answer = walk_of_run(self._writer, self._run.number, request.text)
                self._tell(answer)
                self._run.stage(walk_row(answer, time.time()))
            elif request.kind == "stage":
                answer = self._keep_stage(request.text)
            elif request.kind in ("point", "scale", "discard"):
                self._run.commit()
                answer = self._calibrated(request.kind, request.text)
                self._tell(answer)
            else:
                answer = f"this recorder does not know the request {request.kind!r}"
            self._run.answer(request.number, answer)

    def _keep_stage(self, text: str) -> str:
        assert self._run is not None
        try:
            row = read_asked(text, time.time())
        except LivesenseError as error:
            return f"not kept: {error}"
        self._run.stage(row)
        return f"kept: {row.stage} {row.verdict}"

    def _calibrated(self, kind: str, text: str) -> str:
        assert self._run is not None and self._writer is not None
        bench = self._settings.bench
        if kind == "point":
            return point_of_run(self._writer, bench, self._run.number, text)
        if kind == "scale":
            return scale_of_run(self._writer, bench)
        return discard_of_run(self._writer, bench, text)

    def look(self) -> Progress:
        """Tell how the recording is doing."""
        intake = self._intake
        elapsed_s = time.monotonic() - (self._run_scan_s or time.monotonic())
        return Progress(
            run=self._run.number if self._run is not None else None,
            seconds=intake.seconds if intake is not None else 0.0,
            scans=self._scans,
            rate_hz=self._scans / elapsed_s if elapsed_s > 0 else 0.0,
            lost=sum(intake.lost) if intake is not None and intake.counted else None,
            faults=sum(self._faults.values()),
            events=intake.events if intake is not None else 0,
            size_bytes=self._run.size_bytes() if self._run is not None else 0,
            link=self._link_state,
            latest_event=intake.latest_event if intake is not None else "",
        )

    @property
    def error(self) -> str | None:
        """Why the recording ended with an error; None otherwise."""
        return self._error

    def _summary(self) -> dict[str, Any]:
        intake = self._intake
        return {
            "run": self._runs[-1] if self._runs else None,
            "runs": list(self._runs),
            "logbook": str(self._settings.logbook),
            "seconds": run_seconds(intake.seconds) if intake is not None else 0.0,
            "groups": intake.summary() if intake is not None else [],
            "gaps": intake.gaps if intake is not None else 0,
            "restarts": intake.restarts if intake is not None else 0,
            "away": (self._outages.away if self._outages is not None else Away()).as_json(),
            "faults": dict(self._faults),
            "events": intake.events if intake is not None else 0,
            "calibration": {"used": self._used.numbers, "warnings": list(self._used.warnings)},
            "ended": str(self._ended or Ended.ERROR),
            "error": self._error,
        }


_CHECK_LINK = "check baud and wire in [link]; `livesense identify PORT` tells what comes"

_NO_DESCRIPTION = (
    "samples came, but nothing says what they are: expected a description from the device "
    "(about once a second) or [[group]] tables in the bench file"
)

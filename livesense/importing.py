"""Recordings from elsewhere become runs: file → logbook, with the bench file's rules on the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livesense import __version__
from livesense import bench as bench_file
from livesense.bench import Bench
from livesense.chain import Chain
from livesense.errors import UsageError
from livesense.logbook.removal import delete_runs
from livesense.logbook.writer import LogbookWriter, RunWriter
from livesense.recordings.bench_text import Joined, bench_text, join
from livesense.recordings.opening import opened_recording
from livesense.recordings.recording import Recording, Stretch
from livesense.samples import Event, Gap, GapCause, GroupInfo, Restart, ScanBlock, SegmentStart
from livesense.timetext import iso_time, run_seconds
from livesense.trending import Leveled, TrendBuilder
from livesense.watching import GroupWatches

Tell = Callable[[str, int, int], None]
COMMIT_ROWS = 1 << 18


@dataclass(frozen=True, slots=True)
class ImportSettings:
    """What is imported, and how.

    ``channels`` limits it to some, by the file's names or the bench file's; None takes all.
    """

    file: Path
    logbook: Path
    bench: Bench | None = None
    name: str = ""
    rate_hz: float | None = None
    channels: tuple[str, ...] | None = None


def import_recording(settings: ImportSettings, tell: Tell = lambda what, done, total: None) -> dict[str, Any]:
    """Import a recording; hands back what the `import` command prints.

    Raises
    ------
    UsageError
        The file cannot be read or understood, or does not fit the bench file: nothing is then kept.
    LogbookError
        The logbook cannot be written.
    """
    with opened_recording(settings.file, settings.rate_hz) as recording:
        joined = join(recording, settings.bench)
        chosen = _chosen(joined, settings.channels)
        joined = [joined[position] for position in chosen]
        title = settings.name or recording.title or settings.file.stem
        text = bench_text(recording, joined, settings.bench, title)
        bench = bench_file.parse(text)
        first = recording.stretches[0]
        group = GroupInfo(first.rate_hz, recording.code, None, tuple(one.recorded.name for one in joined))
        chain = Chain(bench, [group])
        started_s = recording.started_wall_s
        if started_s is None:
            started_s = settings.file.stat().st_mtime
        with LogbookWriter(settings.logbook) as writer:
            run = writer.start_run(
                name=settings.name or settings.file.name,
                bench_name=bench.name,
                bench_text=text,
                bench_path="" if settings.bench is None else settings.bench.path,
                version=__version__,
                port=f"import:{settings.file.name}",
                wire=recording.kind,
                started_wall_s=started_s,
            )
            try:
                totals = _Copy(recording, run, bench, chain, group, chosen, tell).all()
                notes = [*recording.notes, *_notes(recording, joined)]
                for note in notes:
                    run.note(note, started_s, source="livesense")
                shown = {one.recorded.name: one.recorded.shown for one in joined}
                run.describe("", recording.device)
                ended_s = started_s + totals.seconds
                run.finish("closed", ended_s, {"groups": [totals.summary()]})
            except BaseException:
                # What is half there would look like a recording that was cut off.
                run.abandon()
                delete_runs(settings.logbook, [run.number], lambda what, done, total: None)
                raise
    return {
        "run": run.number,
        "logbook": str(settings.logbook),
        "format": recording.kind,
        "about": recording.about,
        "name": settings.name or settings.file.name,
        "bench_name": bench.name,
        "started": iso_time(started_s),
        "seconds": run_seconds(totals.seconds),
        "rates_hz": sorted({stretch.rate_hz for stretch in recording.stretches}),
        "scans_stored": totals.stored,
        "scans_lost": totals.lost,
        "gaps": totals.gaps,
        "events": totals.events,
        "channels": [
            {
                "name": one.name,
                "file_name": shown[one.recorded.name],
                "phase": one.phase,
                "circuit": one.recorded.circuit or None,
                "unit": one.unit or None,
                "state": one.recorded.state,
                "assumed": [key for key in one.recorded.assumed if one.bench is None],
            }
            for one in joined
        ],
        "notes": notes,
    }


def _chosen(joined: list[Joined], names: tuple[str, ...] | None) -> list[int]:
    if names is None:
        return list(range(len(joined)))
    found = []
    for name in names:
        position = next((n for n, one in enumerate(joined) if name in (one.name, one.recorded.shown)), None)
        if position is None:
            known = ", ".join(one.name for one in joined)
            raise UsageError(f"expected channels out of {known}, got {name!r}")
        found.append(position)
    return list(dict.fromkeys(found))


def _notes(recording: Recording, joined: list[Joined]) -> list[str]:
    notes = []
    if recording.started_wall_s is None:
        notes.append("the file does not tell when it was made: the run has the date of the file itself")
    elif not recording.about.get("zone"):
        notes.append("the file's time has no zone: it was taken as this computer's")
    for key in ("unit", "phase"):
        guessed = [one.name for one in joined if key in one.recorded.assumed and one.bench is None]
        if guessed:
            notes.append(f"{key} taken from the name, since nothing else tells it: {', '.join(guessed)}")
    return notes


@dataclass(slots=True)
class _Totals:
    stored: int = 0
    lost: int = 0
    gaps: int = 0
    events: int = 0
    seconds: float = 0.0

    def summary(self) -> dict[str, Any]:
        return {"group": 0, "scans_stored": self.stored, "scans_lost": self.lost}


class _Copy:
    """One recording on its way into one run."""

    def __init__(
        self,
        recording: Recording,
        run: RunWriter,
        bench: Bench,
        chain: Chain,
        group: GroupInfo,
        chosen: list[int],
        tell: Tell,
    ) -> None:
        self._recording = recording
        self._run = run
        self._bench = bench
        self._chain = chain
        self._group = group
        self._chosen = chosen
        self._tell = tell
        self._rows: dict[tuple[int, Any], int] = {}
        self._totals = _Totals()
        self._next = 0

    def all(self) -> _Totals:
        """Copy everything; hands back what came of it."""
        self._run.add_groups([self._group])
        rate_hz = 0.0
        at_work: tuple[GroupWatches, TrendBuilder] | None = None
        for stretch in self._recording.stretches:
            scan = self._next + (stretch.lost if stretch.follows else 0)
            if at_work is None or not stretch.follows or stretch.rate_hz != rate_hz:
                if at_work is not None:
                    # Holds are counted in scans: a new rate, or a time that nobody can count, begins anew.
                    self._close(*at_work)
                    if not stretch.follows:
                        # Nobody can count what is missing here.
                        self._run.restart(Restart(0, scan, None, None))
                rate_hz = stretch.rate_hz
                at_work = (
                    GroupWatches(self._bench, self._chain, 0, rate_hz),
                    TrendBuilder(self._chain, 0, len(self._group.channels), rate_hz),
                )
                self._run.segment(SegmentStart(0, scan, stretch.start_s, rate_hz))
            watches, trends = at_work
            if stretch.follows and stretch.lost:
                self._run.gap(Gap(0, self._next, stretch.lost, GapCause.WIRE))
                watches.gap(stretch.lost)
                self._keep_trend(trends.cut())
                self._totals.lost += stretch.lost
                self._totals.gaps += 1
            self._copy(stretch, scan, watches, trends)
        if at_work is not None:
            self._close(*at_work)
        return self._totals

    def _copy(self, stretch: Stretch, scan: int, watches: GroupWatches, trends: TrendBuilder) -> None:
        waiting = 0
        for first, codes in self._recording.pieces(stretch):
            self._tell("reading", first, self._recording.rows)
            block = codes if len(self._chosen) == codes.shape[1] else codes[:, self._chosen]
            at = scan + first - stretch.first
            self._run.append(ScanBlock(0, at, block))
            self._keep(watches.feed(at, block))
            self._keep_trend(trends.feed(at, block))
            self._totals.stored += len(block)
            waiting += len(block)
            if waiting >= COMMIT_ROWS:
                self._run.merge(force=True)
                waiting = 0
        count = stretch.stop - stretch.first
        self._next = scan + count
        self._totals.seconds = stretch.start_s + count / stretch.rate_hz

    def _close(self, watches: GroupWatches, trends: TrendBuilder) -> None:
        self._keep(watches.close(self._next - 1))
        self._keep_trend(trends.close())

    def _keep_trend(self, found: Leveled) -> None:
        for level, rows in found:
            self._run.trend(0, level, rows)

    def _keep(self, found: list[Event]) -> None:
        for event in found:
            key = (event.rule, event.details["key"])
            if key in self._rows:
                self._run.update_event(self._rows[key], event)
            else:
                self._rows[key] = self._run.open_event(event)
                self._totals.events += 1
            if event.end_scan is not None:
                del self._rows[key]

"""Questions to all runs of a dataset: what they come to, their events, and how a figure goes on over time."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from livesense.archive import tasks
from livesense.archive.layout import Entry, absolute, entry_paths, slug
from livesense.archive.slopes import slope_per_day
from livesense.archive.workers import Call, Here, Spread
from livesense.errors import UsageError
from livesense.timetext import iso_time, run_seconds

Tell = Callable[[str, int, int], None]

ENTRIES_AT_ONCE = 64
PARTS_AT_ONCE = 16
"""Row groups of a task: about two million scans."""

MOST_WINDOWS = 1_000_000


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which runs are asked: of one bench, begun within dates (UTC, ``2026-03-01``, both included)."""

    bench: str | None = None
    since: str | None = None
    until: str | None = None


class Archive:
    """A dataset, and who computes.

    Raises
    ------
    UsageError
        There is no such dataset, or no run in it that was asked for.
    """

    def __init__(self, dataset: str, chosen: Chosen, workers: Here | Spread, tell: Tell) -> None:
        self.dataset = absolute(dataset)
        self._workers = workers
        self._tell = tell
        paths = [path for path in entry_paths(self.dataset) if _wanted(path, chosen)]
        batches = [paths[at : at + ENTRIES_AT_ONCE] for at in range(0, len(paths), ENTRIES_AT_ONCE)]
        found = self._all(
            [(tasks.read_entries, (self.dataset, batch)) for batch in batches], "looking for runs"
        )
        entries = [entry for batch in found for entry in batch]
        if chosen.bench is not None:
            entries = [entry for entry in entries if entry.bench_name == chosen.bench]
        if not entries:
            raise UsageError(
                f"{dataset}: expected runs of {chosen.bench or 'any bench'} in this time, found none"
            )
        self.entries = sorted(entries, key=lambda entry: entry.order)

    def _all(self, calls: Sequence[Call], what: str) -> list[Any]:
        return self._workers.all(calls, self._tell, what)

    def _each(self, function: Callable[..., Any], what: str, *more: Any) -> list[Any]:
        return self._all([(function, (self.dataset, entry, *more)) for entry in self.entries], what)

    def summary(self, *, figures: bool = False) -> dict[str, Any]:
        """Sum up every bench: runs, time, scans, events, and each channel over all its scans.

        With ``figures`` each run has what ``livesense measure`` tells of it as well.
        """
        about = self._each(tasks.channels_of, "reading chains")
        channels = self._channel_sums(about)
        measured = self._each(tasks.figures_of, "measuring", None, None) if figures else None
        benches = []
        for name in dict.fromkeys(entry.bench_name for entry in self.entries):
            mine = [n for n, entry in enumerate(self.entries) if entry.bench_name == name]
            benches.append(self._bench(name, mine, about, channels))
        return {
            "dataset": self.dataset,
            "runs": len(self.entries),
            "benches": benches,
            "by_run": [
                _run_facts(entry) | ({} if measured is None else {"figures": measured[n]})
                for n, entry in enumerate(self.entries)
            ],
        }

    def _channel_sums(self, about: list[dict[str, Any]]) -> list[dict[str, dict[str, Any]]]:
        """Sum up each channel of each run, in tasks of some row groups."""
        calls: list[Call] = []
        owners: list[int] = []
        for number, (entry, facts) in enumerate(zip(self.entries, about, strict=True)):
            for group, parts in enumerate(facts["parts"]):
                for begin in range(0, parts, PARTS_AT_ONCE):
                    end = min(begin + PARTS_AT_ONCE, parts)
                    calls.append((tasks.sums_of, (self.dataset, entry, group, begin, end)))
                    owners.append(number)
        found: list[dict[str, dict[str, Any]]] = [{} for _ in self.entries]
        for number, sums in zip(owners, self._all(calls, "summing up"), strict=True):
            for name, more in sums.items():
                found[number][name] = _joined(found[number].get(name), more)
        return found

    def _bench(
        self, name: str, mine: list[int], about: list[dict[str, Any]], sums: list[dict[str, dict[str, Any]]]
    ) -> dict[str, Any]:
        entries = [self.entries[n] for n in mine]
        kinds: Counter[str] = Counter()
        for n in mine:
            kinds.update(about[n]["kinds"])
        lost = [entry.scans_lost for entry in entries if entry.scans_lost is not None]
        return {
            "bench_name": name,
            "runs": len(entries),
            "first": iso_time(entries[0].started_wall_s),
            "last": iso_time(entries[-1].started_wall_s),
            "seconds": run_seconds(math.fsum(entry.seconds for entry in entries)),
            "scans": sum(group.rows for entry in entries for group in entry.groups),
            "scans_lost": sum(lost) if lost else None,
            "events": dict(sorted(kinds.items())),
            "channels": self._channels(mine, about, sums),
        }

    def _channels(
        self, mine: list[int], about: list[dict[str, Any]], sums: list[dict[str, dict[str, Any]]]
    ) -> dict[str, Any]:
        """Tell each channel of a bench over all scans of its runs."""
        names = dict.fromkeys(channel for n in mine for channel in about[n]["channels"])
        having = {name: [n for n in mine if sums[n].get(name, {}).get("n")] for name in names}
        figures = {name: _over_all([sums[n][name] for n in having[name]]) for name in names if having[name]}
        # Systematic errors of runs on one bench are largely the same ones: they do not average out.
        calls: list[Call] = []
        for n in mine:
            asked = {name: list(figures[name].values()) for name in names if n in having[name]}
            calls.append((tasks.uncertainties_of, (self.dataset, self.entries[n], asked)))
        u_of = dict(zip(mine, self._all(calls, "uncertainties"), strict=True))
        told: dict[str, Any] = {}
        for name in names:
            unit = next(about[n]["channels"][name]["unit"] for n in mine if name in about[n]["channels"])
            weights = [sums[n][name]["n"] for n in having[name]]
            found: dict[str, Any] = {}
            for position, (key, value) in enumerate(figures.get(name, {}).items()):
                parts = [w * u_of[n][name][position] for n, w in zip(having[name], weights, strict=True)]
                found[key] = {"value": value, "u": math.fsum(parts) / sum(weights), "unit": unit}
            told[name] = {
                "scans": sum(weights),
                **{key: found.get(key) for key in ("mean", "rms", "min", "max")},
                "clipped_scans": sum(sums[n][name]["clipped"] for n in having[name]),
                "u_excludes": list(
                    dict.fromkeys(
                        key for n in having[name] for key in about[n]["channels"][name]["u_excludes"]
                    )
                ),
            }
        return told

    def events(self, kind: str | None = None, limit: int | None = None) -> dict[str, Any]:
        """List events of all runs in order of their time."""
        found = []
        for entry, events in zip(self.entries, self._each(tasks.events_of, "reading events"), strict=True):
            for event in events:
                if kind is None or event["kind"] == kind:
                    at = iso_time(entry.started_wall_s + event["start_s"])
                    found.append(
                        {
                            "bench_name": entry.bench_name,
                            "id": entry.identity,
                            "run": entry.run,
                            "at": at,
                            **event,
                        }
                    )
        found.sort(key=lambda event: datetime.fromisoformat(event["at"]))
        count = len(found)
        return {
            "dataset": self.dataset,
            "runs": len(self.entries),
            "count": count,
            "events": found if limit is None else found[:limit],
        }

    def trend(self, figure: str, every_s: float | None = None) -> dict[str, Any]:
        """Follow a figure of ``measure`` over all runs, one value a run or one each ``every_s`` of it.

        Parameters
        ----------
        figure
            Its path, such as ``channels.iu.rms`` or ``three_phase.unbalance_percent``.

        Raises
        ------
        UsageError
            No run has a figure of that name.
        """
        windows = [(entry, *window) for entry in self.entries for window in _windows(entry, every_s)]
        if len(windows) > MOST_WINDOWS:
            raise UsageError(
                f"expected at most {MOST_WINDOWS} windows, found {len(windows)}; take a longer --every"
            )
        found = self._all([(tasks.figures_of, (self.dataset, *window)) for window in windows], "measuring")
        points, withheld, known = [], 0, False
        for (entry, *_), figures in zip(windows, found, strict=True):
            there, value = _at(figures, figure)
            known = known or there
            if value is None:
                withheld += 1
                continue
            used_s = figures["used_from_s"]
            points.append(
                {
                    "bench_name": entry.bench_name,
                    "id": entry.identity,
                    "run": entry.run,
                    "at": iso_time(entry.started_wall_s + used_s),
                    "from_s": figures["used_from_s"],
                    "to_s": figures["used_to_s"],
                    "figure": value,
                }
            )
        if not known:
            raise UsageError(
                f"expected the path of a figure of `livesense measure --json`, such as channels.iu.rms or "
                f"three_phase.unbalance_percent, got {figure!r}, which no run has"
            )
        benches = dict.fromkeys(point["bench_name"] for point in points)
        return {
            "dataset": self.dataset,
            "figure_path": figure,
            "points": points,
            "withheld": withheld,
            "slopes": {
                name: slope_per_day([p for p in points if p["bench_name"] == name]) for name in benches
            },
        }


def _wanted(path: str, chosen: Chosen) -> bool:
    """Tell by a run's path whether it is asked for, before anything of it is read."""
    bench, date = path.rsplit("/", 4)[1:3]
    day = date.removeprefix("date=")
    return (
        (chosen.bench is None or bench.removeprefix("bench=") == slug(chosen.bench))
        and (chosen.since is None or day >= chosen.since)
        and (chosen.until is None or day <= chosen.until)
    )


def _run_facts(entry: Entry) -> dict[str, Any]:
    return {
        "id": entry.identity,
        "run": entry.run,
        "name": entry.name,
        "bench_name": entry.bench_name,
        "started": iso_time(entry.started_wall_s),
        "date": datetime.fromtimestamp(entry.started_wall_s, UTC).strftime("%Y-%m-%d"),
        "seconds": run_seconds(entry.seconds),
        "state": entry.state,
        "scans": sum(group.rows for group in entry.groups),
        "events": entry.events,
    }


def _joined(before: dict[str, Any] | None, more: dict[str, Any]) -> dict[str, Any]:
    if before is None:
        return more
    return {
        "n": before["n"] + more["n"],
        "clipped": before["clipped"] + more["clipped"],
        "low": min(before["low"], more["low"]),
        "high": max(before["high"], more["high"]),
        "sums": before["sums"] + more["sums"],
        "squares": before["squares"] + more["squares"],
    }


def _over_all(parts: list[dict[str, Any]]) -> dict[str, float]:
    """Join sums; the same for every order and every split of them."""
    scans = sum(part["n"] for part in parts)
    return {
        "mean": math.fsum(value for part in parts for value in part["sums"]) / scans,
        "rms": math.sqrt(math.fsum(value for part in parts for value in part["squares"]) / scans),
        "min": min(part["low"] for part in parts),
        "max": max(part["high"] for part in parts),
    }


def _windows(entry: Entry, every_s: float | None) -> list[tuple[float | None, float | None]]:
    if every_s is None:
        return [(None, None)]
    count = max(1, math.ceil(entry.seconds / every_s - 1e-9))
    return [(number * every_s, (number + 1) * every_s) for number in range(count)]


def _at(figures: dict[str, Any], path: str) -> tuple[bool, dict[str, Any] | None]:
    """Follow a path; tells whether it leads anywhere, and to which figure."""
    value: Any = figures
    for key in path.split("."):
        if not isinstance(value, dict) or key not in value:
            return False, None
        value = value[key]
    if isinstance(value, dict) and "value" in value:
        return True, value if value["value"] is not None else None
    return value is None, None

"""What a worker does for a question: small functions of a dataset's place and one run, plain values back.

They run in this process, in a local worker or on another machine, and give the same numbers everywhere:
what is added up over parts is added by :func:`math.fsum` at the end, which does not depend on the order.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from livesense import __version__
from livesense.analysis import RunAnalysis
from livesense.archive.layout import Entry, entry_of, file_system, told
from livesense.archive.reading import ArchivedLogbook
from livesense.errors import LivesenseError, UsageError

OPEN_RUNS = 2
"""Runs that a thread keeps open: questions about one follow each other."""

_kept = threading.local()


def version() -> str:
    """Tell which livesense is at work here."""
    return __version__


def read_entries(dataset: str, paths: list[str]) -> list[Entry]:
    """Read what is known of some runs."""
    where, _ = file_system(dataset)
    with told(dataset):
        return [entry_of(where.cat_file(path), path) for path in paths]


def sums_of(dataset: str, entry: Entry, group: int, begin: int, end: int) -> dict[str, dict[str, Any]]:
    """Sum up the channels of a group over the row groups ``begin`` to ``end`` (not included).

    Returns
    -------
    dict
        By channel: ``n``, ``clipped``, ``low``, ``high``; ``sums`` and ``squares``, one of each row group.
    """
    with _opened(dataset, entry) as (book, analysis):
        channels = analysis.chain.group_channels(group)
        info = analysis.run.groups[group]
        found: dict[str, dict[str, Any]] = {}
        for part in range(begin, end):
            _, codes = book.scans[group].read(part, list(info.channels), info.code.dtype)
            for channel in channels:
                values = analysis.chain.value(channel.name, codes)
                known = np.isfinite(values)
                clipped = int(np.count_nonzero(analysis.chain.clipped(channel.name, codes)))
                mine = found.setdefault(
                    channel.name,
                    {"n": 0, "clipped": 0, "low": math.inf, "high": -math.inf, "sums": [], "squares": []},
                )
                values = values[known]
                mine["n"] += int(values.size)
                mine["clipped"] += clipped
                if values.size:
                    mine["low"] = min(mine["low"], float(values.min()))
                    mine["high"] = max(mine["high"], float(values.max()))
                mine["sums"].append(float(values.sum()))
                mine["squares"].append(float(np.dot(values, values)))
        return found


def channels_of(dataset: str, entry: Entry) -> dict[str, Any]:
    """Tell a run's channels with what its chain knows of them, and how many parts each group has."""
    with _opened(dataset, entry) as (book, analysis):
        return {
            "parts": [len(file.first) for file in book.scans],
            "channels": {
                channel.name: {
                    "unit": channel.unit,
                    "group": channel.group,
                    "quantity": channel.quantity,
                    "u_excludes": list(channel.u_excludes),
                }
                for channel in analysis.channels
            },
            "kinds": sorted(str(event.event.kind) for event in analysis.run.events()),
        }


def uncertainties_of(dataset: str, entry: Entry, values: dict[str, list[float]]) -> dict[str, list[float]]:
    """Find the systematic standard uncertainty of some values of each channel."""
    with _opened(dataset, entry) as (_, analysis):
        return {
            name: [float(u) for u in analysis.chain.channels[name].u_systematic(given)]
            for name, given in values.items()
        }


def figures_of(dataset: str, entry: Entry, from_s: float | None, to_s: float | None) -> dict[str, Any]:
    """Measure a run, or a window of it: what ``livesense measure`` tells; ``error`` where it refuses."""
    with _opened(dataset, entry) as (_, analysis):
        try:
            return analysis.measure(from_s, to_s)
        except UsageError as error:
            return {"error": str(error)}


def events_of(dataset: str, entry: Entry) -> list[dict[str, Any]]:
    """List a run's events: what ``livesense events`` tells."""
    with _opened(dataset, entry) as (_, analysis):
        return analysis.events()


@contextmanager
def _opened(dataset: str, entry: Entry) -> Iterator[tuple[ArchivedLogbook, RunAnalysis]]:
    kept: OrderedDict[tuple[str, str, str], tuple[ArchivedLogbook, RunAnalysis]]
    # A logbook belongs to the thread that opened it.
    kept = _kept.__dict__.setdefault("runs", OrderedDict())
    key = dataset, entry.folder, entry.facts
    if key not in kept:
        while len(kept) >= OPEN_RUNS:
            kept.popitem(last=False)[1][0].close()
        book = ArchivedLogbook(dataset, entry)
        try:
            kept[key] = book, RunAnalysis(book, entry.run)
        except LivesenseError:
            book.close()
            raise
    kept.move_to_end(key)
    yield kept[key]


def close_all() -> None:
    """Let go of the runs that this thread keeps open."""
    for book, _ in _kept.__dict__.pop("runs", {}).values():
        book.close()

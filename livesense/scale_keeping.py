"""Keeping scales: of all channels whose points wait for a fit, or of none."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

from livesense.bench import Bench
from livesense.errors import LogbookError, UsageError
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.scale_fits import fit_facts, scale_row, waiting_fits


def fit_waiting(
    writer: LogbookWriter, bench: Bench, names: Sequence[str] | None, force: str | None = None
) -> dict[str, dict[str, Any]]:
    """Fit the points that wait, keep a scale of each channel, and tell of each; all of them or none.

    Parameters
    ----------
    names
        Channels; None for all that have points.
    force
        Why a gain is kept that the bench file does not allow.

    Raises
    ------
    UsageError
        A channel has no points, or they tell no line.
    LogbookError
        A gain is not one that the bench file allows.
    """
    now_s = time.time()
    with Logbook(writer.path) as book:
        found = waiting_fits(book, bench, now_s, names)
    lacking = sorted(set(names or ()) - set(found))
    if lacking or not found:
        of = ", ".join(lacking) or "this bench"
        raise UsageError(f"no points wait for a fit of {of}: take some with --at, --point or --points")
    made = {}
    for name, one in found.items():
        if one.fit is None:
            raise UsageError(str(one.why_not))
        if one.off is not None and force is None:
            raise LogbookError(f'{name}: {one.off} Nothing was kept; --force "REASON" keeps it all the same')
        reason = "" if one.off is None else force or ""
        row = scale_row(bench, one.channel, one.fit, one.points, one.zero, wall_s=now_s, reason=reason)
        made[name] = (one.channel, one.fit, row)
    used = {name: [point.number for point in one.points] for name, one in found.items()}
    numbers = writer.add_calibrations([row for _, _, row in made.values()], used)
    return {
        name: fit_facts(channel, fit, row, number)
        for (name, (channel, fit, row)), number in zip(made.items(), numbers, strict=True)
    }

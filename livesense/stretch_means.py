"""Codes of a stored stretch, averaged: for calibration points and walks that were recorded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from livesense.errors import UsageError
from livesense.stillness import FEWEST_SCANS, Average, average

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis


def stretch_means(
    analysis: RunAnalysis, from_s: float, to_s: float, names: Sequence[str]
) -> dict[str, Average]:
    """Average each channel's codes between two instants of a run.

    Raises
    ------
    UsageError
        A channel is not in the run, or the stretch holds no whole piece of scans.
    """
    chain, number = analysis.chain, analysis.run.number
    found = {}
    for name in names:
        if name not in chain.channels or chain.channels[name].computed:
            raise UsageError(f"run {number} has no channel {name!r} with codes")
        channel = chain.channels[name]
        first, stop = analysis.scans_between(channel.group, from_s, to_s)
        pieces = [codes for _, codes in analysis.run.codes(channel.group, first, stop)]
        if len(pieces) != 1 or len(pieces[0]) < FEWEST_SCANS:
            raise UsageError(
                f"run {number}, {from_s:g} s to {to_s:g} s: expected at least {FEWEST_SCANS} scans in a row, "
                f"got {sum(map(len, pieces))} in {len(pieces)} pieces"
            )
        column = pieces[0][:, chain.column(name)]
        rate_hz = analysis.rate_at(channel.group, first)
        found[name] = average(column, rate_hz, float(channel.clipped(column).mean()))
    return found


def stretch_temperatures(analysis: RunAnalysis, from_s: float, to_s: float) -> dict[str, float]:
    """Mean temperature of each thermometer between two instants of a run, in °C."""
    chain = analysis.chain
    warm = [n for n, c in chain.channels.items() if c.quantity == "temperature" and not c.computed]
    return {
        name: float(np.nanmean(window.values[name]))
        for window in (analysis.window(from_s, to_s, warm) if warm else [])
        for name in window.values
        if len(window.values[name]) and np.isfinite(window.values[name]).any()
    }

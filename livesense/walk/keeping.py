"""Calibrations from a walk. It stands beside the session, which the page uses and which must not write."""

from __future__ import annotations

import time
from collections.abc import Sequence

from livesense.bench import Bench
from livesense.calibrating import Reference, point_row
from livesense.chain import Chain
from livesense.logbook.rows import CalibrationRow
from livesense.samples import GroupInfo
from livesense.scale_fits import fit_channel, gain_off, scale_row
from livesense.walk.session import Pushed, Reading, Walked, u_of_mean

MEAN_OF_CHAINS = "mean of the walked chains"


def scales(
    bench: Bench,
    chain: Chain,
    groups: Sequence[GroupInfo],
    readings: Sequence[Reading],
    pushed: Pushed,
    result: Walked,
) -> dict[str, CalibrationRow | str]:
    """Make a calibration of each channel whose place and direction are proven, or say why not.

    Where the pushed current is worse known than the chains are, its value is taken from their mean: the
    gains are then right against each other, and as a whole as good as the mean of the three.
    """
    fits = {v.channel: v for v in result.verdicts}
    good = [v.gain.value for v in result.verdicts if v.proven and v.gain is not None]
    amperes, meter = pushed.amperes, pushed.meter
    if not result.absolute and good:
        amperes *= sum(good) / len(good)
        meter = Reference(MEAN_OF_CHAINS, u_of_mean([a.channel for a in result.answers]), 0.0, 0.0)
    found: dict[str, CalibrationRow | str] = {}
    now_s = time.time()
    for answer in result.answers:
        name, channel = answer.channel.name, answer.channel
        verdict = fits[name]
        if not verdict.proven:
            found[name] = "not proven: correct the bench file, or the wiring, and walk again"
            continue
        rows = []
        for reading in readings:
            share = 0 if reading.step is None else reading.step.share(str(channel.phase))
            average = reading.averages[name]
            rows.append(
                point_row(
                    bench,
                    channel,
                    share * amperes,
                    (average.code, average.u_code, average.scans),
                    meter,
                    groups[channel.group],
                    wall_s=now_s,
                    device=reading.device,
                    details={"temperatures": dict(reading.temperatures), "walk": reading.name},
                )
            )
        fit = fit_channel(channel, rows, None)
        why = gain_off(channel, fit)
        found[name] = why or scale_row(bench, channel, fit, rows, None, wall_s=now_s, reason="walk")
    return found

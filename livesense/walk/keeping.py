"""Calibrations from a walk. It stands beside the session, which the page uses and which must not write."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import replace

from livesense.bench import Bench
from livesense.calibrating import Reference, point_row
from livesense.chain import Chain, ChannelChain
from livesense.chain.calibration import Fit
from livesense.logbook.rows import CalibrationRow
from livesense.samples import GroupInfo
from livesense.scale_fits import fit_channel, gain_off, scale_row
from livesense.walk.session import Pushed, Reading, Walked, u_of_mean
from livesense.wording import significant

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
        why = gain_off(channel, fit) or _no_better(channel, fit, amperes)
        row = scale_row(bench, channel, fit, rows, None, wall_s=now_s, reason="walk")
        winding = {
            step: {"value": r.value, "u": r.u, "unit": r.unit} for step, r in result.resistance.items()
        }
        found[name] = why or replace(row, details={**row.details, "resistance": winding})
    return found


def _no_better(channel: ChannelChain, fit: Fit, amperes: float) -> str | None:
    """Tell why a scale is not kept: the bench file's limits know it better; None where they do not."""
    known = math.inf if {"shunt_tolerance", "gain_error"} & set(channel.u_excludes) else channel.u_scale
    if fit.scale.u_scale < known:
        return None
    by_meter = math.sqrt(max(fit.scale.u_scale**2 - fit.scale.u_relative**2, 0.0))
    why = (
        f"the walk tells its scale within ± {200 * fit.scale.u_scale:.2g} % and the bench file within "
        f"± {200 * known:.2g} %"
    )
    if by_meter >= known:
        return f"{why}: a better known current would tell more"
    # What rounding and non-linearity leave is so many codes: a larger current makes less of them.
    enough = abs(amperes) * fit.scale.u_relative / math.sqrt(known**2 - by_meter**2)
    return f"{why}: push more than {significant(1.1 * enough, 2)} {channel.unit} to know it better"

"""Scales from calibration points: the fit, whether the bench file allows it, and the row that keeps it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from livesense.bench import Bench
from livesense.bench.pins import PIN_SENSORS
from livesense.calibrated import boards_of, in_use
from livesense.chain import ChannelChain
from livesense.chain.budget import Acts
from livesense.chain.build import build
from livesense.chain.calibration import SCALE_KEYS, Fit, Point, fit_scale
from livesense.errors import UsageError
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import CalibrationRow, PointRow
from livesense.samples import CodeType, GroupInfo

GAIN_U = 3.0
"""A gain may lie so many standard uncertainties of the bench file's limits from what it says."""

GAIN_SHARE = 0.2
"""Where the bench file does not state them all: so much."""


@dataclass(frozen=True, slots=True)
class WaitingFit:
    """The points of one channel that wait, and the line through them; ``why_not`` where there is none.

    ``off`` says why the bench file does not allow the gain; None where it does, and where there is no line.
    """

    channel: ChannelChain
    points: Sequence[PointRow]
    zero: CalibrationRow | None
    fit: Fit | None
    why_not: str | None
    off: str | None


def waiting_fits(
    book: Logbook, bench: Bench, now_s: float, names: Sequence[str] | None = None
) -> dict[str, WaitingFit]:
    """Fit the points that wait, by channel; nothing is kept.

    Raises
    ------
    UsageError
        The converter's bits are not known.
    """
    boards = boards_of(bench)
    known = book.calibrations(bench.name, boards)
    waiting: dict[str, list[PointRow]] = {}
    for row in book.waiting_points(bench.name, boards):
        if names is None or row.channel in names:
            waiting.setdefault(row.channel, []).append(row)
    found = {}
    for name, points in waiting.items():
        channel = nominal_channel(bench, name, points[-1])
        zero = usable_zero(known, name, now_s)
        try:
            fit = fit_channel(channel, points, zero)
        except UsageError as error:
            found[name] = WaitingFit(channel, points, zero, None, str(error), None)
        else:
            found[name] = WaitingFit(channel, points, zero, fit, None, gain_off(channel, fit))
    return found


def nominal_channel(bench: Bench, name: str, point: PointRow) -> ChannelChain:
    """Make a channel's chain as the bench file states it, for codes such as the point's.

    Raises
    ------
    UsageError
        when the converter's bits are not known.
    """
    settings = next(c for c in bench.channels if c.name == name)
    bits = settings.bits or bench.adc.bits or point.details.get("bits")
    if settings.sensor in PIN_SENSORS and not isinstance(bits, int):
        raise UsageError(f'channel "{name}": expected bits in [adc] of the bench file: they are not known')
    info = GroupInfo(
        None,
        CodeType(str(point.details.get("code", CodeType.U16))),
        bits if isinstance(bits, int) else None,
        (settings.column,),
        decimals=(int(point.details.get("decimals", 0)),),
    )
    return build(settings, bench.adc, bench.conditions, 0, info, info.bits)


def usable_zero(rows: Sequence[CalibrationRow], channel: str, wall_s: float) -> CalibrationRow | None:
    """Find the zero that may join a fit: one that is not stale."""
    for row in rows:
        if row.channel == channel and row.kind == "zero" and not in_use([row], wall_s).stale:
            return row
    return None


def fit_channel(channel: ChannelChain, rows: Sequence[PointRow], zero: CalibrationRow | None) -> Fit:
    """Fit the line through a channel's points, its zero among them where there is one.

    ``channel`` is the bench file's own, uncalibrated.

    Raises
    ------
    UsageError
        when the points tell no line.
    """
    points = [
        Point(r.value, r.code, r.u_code, f"{r.meter}", r.u_relative, r.u_absolute, r.u_own) for r in rows
    ]
    if zero is not None:
        points.insert(0, Point(0.0, zero.zero_code, zero.u_codes))
    try:
        return fit_scale(points, u_bow_codes=channel.budget.total(Acts.BOW) / abs(channel.per_code or 1.0))
    except ValueError as error:
        raise UsageError(f'channel "{channel.name}": {error}') from error


def gain_off(channel: ChannelChain, fit: Fit) -> str | None:
    """Tell where a fitted gain is not one that the bench file's limits allow; None where it is."""
    nominal = channel.per_code or 1.0
    off = fit.scale.per_code / nominal - 1
    if off < -1:
        return (
            "the codes fall where the bench file says they rise: the channel is reversed, or the reference "
            "was read with the other sign (a name with a minus, such as -iv, turns it)."
        )
    stated = not {"shunt_tolerance", "gain_error", "ratio_tolerance"} & set(channel.u_excludes)
    u = math.hypot(channel.u_scale, fit.scale.u_scale)
    allowed = GAIN_U * u if stated and channel.u_scale > 0 else max(GAIN_SHARE, GAIN_U * fit.scale.u_scale)
    if abs(off) <= allowed:
        return None
    return (
        f"its gain is {100 * off:+.3g} % from the bench file's, more than is plausible there "
        f"(±{100 * allowed:.2g} %): another shunt? the wrong channel, range or unit?"
    )


def scale_row(
    bench: Bench,
    channel: ChannelChain,
    fit: Fit,
    rows: Sequence[PointRow],
    zero: CalibrationRow | None,
    *,
    wall_s: float,
    reason: str,
) -> CalibrationRow:
    """Make the row that is kept of a fit."""
    scale = fit.scale
    u_zero = math.hypot(scale.u_pivot, scale.u_relative * scale.pivot)
    return CalibrationRow(
        number=0,
        wall_s=wall_s,
        kind="scale",
        bench_name=bench.name,
        board=boards_of(bench)[channel.name],
        device=rows[-1].device,
        channel=channel.name,
        zero_code=scale.zero_code,
        u_codes=u_zero / abs(scale.per_code),
        scans=sum(row.scans for row in rows),
        unit=channel.unit,
        per_code=scale.per_code,
        u_relative=scale.u_relative,
        pivot=scale.pivot,
        u_pivot=scale.u_pivot,
        reason=reason,
        details={
            "temperatures": _temperatures(rows),
            "meters": [
                {"meter": m.meter, "u_relative": m.u_relative, "u_offset": m.u_offset} for m in scale.meters
            ],
            "points": _points(fit, rows, zero),
            "scatter": fit.scatter,
            # The line's zero is no younger than the zero that it goes through.
            "zero_wall_s": wall_s if zero is None else zero.wall_s,
        },
    )


def _points(fit: Fit, rows: Sequence[PointRow], zero: CalibrationRow | None) -> list[dict[str, Any]]:
    first = [] if zero is None else [{"value": 0.0, "code": zero.zero_code, "meter": None}]
    told: list[dict[str, Any]] = [
        *first,
        *({"value": row.value, "code": row.code, "meter": row.meter} for row in rows),
    ]
    return [point | {"residual": residual} for point, residual in zip(told, fit.residuals, strict=True)]


def _temperatures(rows: Sequence[PointRow]) -> dict[str, float]:
    """Mean temperature of each thermometer that was read with the points."""
    read: dict[str, list[float]] = {}
    for row in rows:
        given = row.details.get("temperatures")
        for name, value in given.items() if isinstance(given, dict) else ():
            read.setdefault(str(name), []).append(float(value))
    return {name: sum(values) / len(values) for name, values in read.items()}


def fit_facts(channel: ChannelChain, fit: Fit, kept: CalibrationRow, number: int | None) -> dict[str, Any]:
    """Write a fit for JSON."""
    scale = fit.scale
    nominal = channel.per_code or 1.0
    points = kept.details["points"]
    u_zero = math.hypot(kept.u_codes, *(m.u_offset / scale.per_code for m in scale.meters))
    values = [point["value"] for point in points]
    span = max(values) - min(values)
    return {
        "calibration": number,
        "per_code": {"value": scale.per_code, "u": abs(scale.per_code) * scale.u_scale, "unit": channel.unit},
        "zero_code": {"value": scale.zero_code, "u": u_zero, "unit": "codes"},
        "gain_percent": {
            "value": 100 * (scale.per_code / nominal - 1),
            "u": 100 * scale.u_scale,
            "unit": "%",
        },
        "u_scale_percent": 100 * scale.u_scale,
        "u_scale_percent_before": 100 * channel.u_scale,
        "meters": kept.details["meters"],
        "points": points,
        "linearity": {"value": fit.linearity, "unit": channel.unit},
        "linearity_percent": 100 * fit.linearity / span,
        "scatter": fit.scatter,
        "replaces": [key for key in SCALE_KEYS if any(t.key == key for t in channel.budget.terms)],
        "reason": kept.reason,
    }

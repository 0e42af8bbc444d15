"""Calibration points: what a reference meter said, what the codes were, and whether that makes a point."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from livesense.bench import Bench, Sensor, Tolerance
from livesense.bench.quantities import QuantityError, limit_of_error, value_in
from livesense.calibrated import boards_of
from livesense.chain import Chain, ChannelChain
from livesense.errors import LogbookError, UsageError
from livesense.logbook.rows import PointRow
from livesense.samples import GroupInfo
from livesense.stillness import Average
from livesense.wording import in_percent

DRIFT_SHARE = 1e-3
RIPPLE_SHARE = 0.05
CLIPPED_SHARE = 1e-3


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference meter (or one of its ranges): standard uncertainties, in the unit of the values."""

    name: str
    u_relative: float
    u_absolute: float
    u_own: float


def reference(name: str, errors: Sequence[str], repeatability: str | None, unit: str) -> Reference:
    """Read a meter's errors, ``"0.05 %"`` of the reading or ``"2 mA"``; limits unless marked (k=…).

    Raises
    ------
    UsageError
        when one is no such error.
    """
    relative, absolute = [], []
    for text in errors:
        try:
            relative.append(_standard(text, ""))
        except QuantityError:
            absolute.append(_in_unit(text, unit, "--reference-error", '"0.05 %" or "2 mA"'))
    own = 0.0 if repeatability is None else _in_unit(repeatability, unit, "--repeatability", '"0.5 mA"')
    return Reference(name, math.hypot(*relative), math.hypot(*absolute), own)


def _standard(text: str, unit: str) -> float:
    value, k = limit_of_error(text, unit)
    if value < 0:
        raise QuantityError("negative")
    return Tolerance(value, k).u


def _in_unit(text: str, unit: str, option: str, example: str) -> float:
    try:
        return _standard(text, unit)
    except QuantityError as error:
        raise UsageError(f"{option}: expected a limit of error such as {example}, got {text!r}") from error


def signs_of(given: str | None, bench: Bench) -> dict[str, int]:
    """Read channel names, -1 where a minus says that current flows backwards; without any, all linear ones.

    Raises
    ------
    UsageError
        when one is no channel that can be calibrated.
    """
    there = [
        c.name
        for c in bench.channels
        if c.sensor in (Sensor.SHUNT, Sensor.LINEAR, Sensor.DIVIDER, Sensor.DIRECT)
    ]
    if given is None:
        return dict.fromkeys(there, 1)
    signs = {}
    for text in given.split(","):
        name = text.strip()
        sign = -1 if name.startswith(("-", "\u2212")) else 1
        name = name.lstrip("-\u2212").strip()
        if name not in there:
            raise UsageError(f"expected names out of {', '.join(there) or 'none'}, got {name!r}")
        signs[name] = sign
    return signs


def reference_value(text: str, unit: str) -> float:
    """Read what the reference says, such as ``"1.000 A"``.

    Raises
    ------
    UsageError
        when it is no quantity in the channel's unit.
    """
    try:
        return value_in(text, unit)
    except QuantityError as error:
        raise UsageError(f'expected a value in {unit} such as "1.000 {unit}", got {text!r}') from error


def unfit(channel: ChannelChain, found: Average) -> str | None:
    """Tell why an average is no point of a calibration with direct current; None where it is one."""
    per_code = abs(channel.per_code or 1.0)
    deflection = abs(found.code - (channel.zero_code or 0.0))
    if found.clipped > CLIPPED_SHARE:
        return f"is at an end of its range in {in_percent(100 * found.clipped)} of the scans"
    if abs(found.drift) > max(found.step / 2, 5 * found.u_drift, DRIFT_SHARE * deflection):
        drift = abs(found.drift)
        return f"drifts by {drift:.3g} codes ({drift * per_code:.3g} {channel.unit}) meanwhile: let it settle"
    if found.spread > max(RIPPLE_SHARE * deflection, 2 * found.step, 1.5 * found.noise):
        return (
            f"varies by {found.spread:.3g} codes ({found.spread * per_code:.3g} {channel.unit}) rms: "
            "points are taken with direct current"
        )
    return None


@dataclass(frozen=True, slots=True)
class Said:
    """What a reference said and what is known of its meter, as it is written."""

    value: str
    errors: Sequence[str]
    meter: str = "reference meter"
    repeatability: str | None = None


def point_rows(
    bench: Bench,
    chain: Chain,
    groups: Sequence[GroupInfo],
    signs: Mapping[str, int],
    said: Said,
    found: Mapping[str, Average],
    *,
    device: str,
    details: Mapping[str, Any],
) -> list[PointRow]:
    """Make a point of each channel through which the reference's current flows.

    ``signs`` is -1 for channels through which it flows backwards.

    Raises
    ------
    UsageError
        A text is no value or limit of error.
    LogbookError
        What the codes did makes no point.
    """
    rows = []
    for name, sign in signs.items():
        channel, average = chain.channels[name], found[name]
        if (why := unfit(channel, average)) is not None:
            raise LogbookError(f"{name} {why}; no point was kept")
        rows.append(
            point_row(
                bench,
                channel,
                sign * reference_value(said.value, channel.unit),
                (average.code, average.u_code, average.scans),
                reference(said.meter, said.errors, said.repeatability, channel.unit),
                groups[channel.group],
                wall_s=time.time(),
                device=device,
                details=details,
            )
        )
    return rows


def point_row(
    bench: Bench,
    channel: ChannelChain,
    value: float,
    code: tuple[float, float, int],
    meter: Reference,
    info: GroupInfo,
    *,
    wall_s: float,
    device: str,
    details: Mapping[str, Any],
) -> PointRow:
    """Make the row that is kept of a point.

    ``code`` is the mean, its standard uncertainty, and of how many scans; ``info`` what is known of the
    channel's group, without which the codes could not be read again.
    """
    column = next(c.column for c in bench.channels if c.name == channel.name)
    decimals = info.decimals[info.channels.index(column)] if info.decimals else 0
    known = {"bits": info.bits, "code": str(info.code), "decimals": decimals}
    return PointRow(
        number=0,
        wall_s=wall_s,
        bench_name=bench.name,
        board=boards_of(bench)[channel.name],
        device=device,
        channel=channel.name,
        value=value,
        unit=channel.unit,
        code=code[0],
        u_code=code[1],
        scans=code[2],
        meter=meter.name,
        u_relative=meter.u_relative,
        u_absolute=meter.u_absolute,
        u_own=meter.u_own,
        details={**details, **known},
    )

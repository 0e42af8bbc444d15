"""Which calibrations a bench uses, how old they are, and what that does to them.

A run uses the newest zero and scale of each channel that its logbook held for its bench and boards when
it began. A later one does not change it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from livesense.bench import Bench, Sensor
from livesense.chain.calibration import Calibration, ChannelCalibration, MeterError, Scale, Zero
from livesense.logbook import calibrations
from livesense.logbook.rows import CalibrationRow
from livesense.logbook.whole import Select
from livesense.timetext import iso_time

STALE_DAYS = 30.0
"""A zero that is older than this is stale (common practice, no source)."""

STALE_K = 10.0
"""So is one that was taken so far from the temperature of the run (common practice, no source)."""

DAY_S = 86400.0

Temperatures = Mapping[str, tuple[float, float]]
"""Lowest and highest temperature of a run in °C, by the thermometer's channel."""


@dataclass(frozen=True, slots=True)
class InUse:
    """What is used: for the chain, with the rows it comes from and what has to be said of them."""

    calibration: Calibration
    rows: tuple[CalibrationRow, ...] = ()
    stale: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def numbers(self) -> list[int]:
        """Numbers of the rows."""
        return [row.number for row in self.rows]


NOTHING = InUse({})

_LATER = (
    "calibrations in this logbook were made later than now by this computer's clock: not used; set the clock"
)


def boards_of(bench: Bench) -> dict[str, str]:
    """Board of each channel that has codes; empty where the bench file names none."""
    return {c.name: c.board or "" for c in bench.channels if c.sensor is not Sensor.COMPUTED}


def in_use_now(select: Select, bench: Bench, wall_s: float, device: str) -> InUse:
    """Find what a run that begins now uses, and say which calibrations of other boards it does not."""
    boards = boards_of(bench)
    rows = calibrations.newest(select, bench.name, boards, wall_s)
    found = in_use(rows, wall_s, device)
    others = calibrations.of_other_boards(select, bench.name, boards, wall_s)
    ever = calibrations.newest(select, bench.name, boards)
    early = [] if ever == rows else [_LATER]
    return InUse(
        found.calibration,
        found.rows,
        found.stale,
        (*found.warnings, *_other_boards(others, boards), *early),
    )


def in_use(
    rows: Sequence[CalibrationRow],
    wall_s: float,
    device: str = "",
    temperatures: Temperatures | None = None,
) -> InUse:
    """Make a chain's calibration of rows.

    Parameters
    ----------
    rows
        At most one zero and one scale of each channel.
    wall_s
        When they are used: their age counts up to here.
    device
        The device's name; one that differs from theirs is told.
    temperatures
        Of the run, where they are known.
    """
    by_channel: dict[str, dict[str, CalibrationRow]] = {}
    for row in rows:
        by_channel.setdefault(row.channel, {})[row.kind] = row
    calibration: dict[str, ChannelCalibration] = {}
    used: list[CalibrationRow] = []
    stale: dict[str, list[str]] = {}
    for channel, kinds in by_channel.items():
        zero, scale = kinds.get("zero"), kinds.get("scale")
        if zero is not None and scale is not None and scale.wall_s >= zero.wall_s:
            # The line has a zero of its own, and this zero was one of its points.
            zero = None
        at_zero = zero or scale
        assert at_zero is not None
        why = _stale(at_zero, wall_s, temperatures or {})
        for text in why:
            stale.setdefault(text, []).append(channel)
        calibration[channel] = ChannelCalibration(_zero(zero), _scale(scale), bool(why))
        used += [row for row in (zero, scale) if row is not None]
    told = tuple(f"zero of {', '.join(names)}: {text}" for text, names in stale.items())
    return InUse(calibration, tuple(used), told, (*told, *_other_devices(used, device)))


def _zero(row: CalibrationRow | None) -> Zero | None:
    return None if row is None else Zero(row.zero_code, row.u_codes)


def _scale(row: CalibrationRow | None) -> Scale | None:
    if row is None or not row.per_code:
        return None
    return Scale(
        per_code=row.per_code,
        zero_code=row.zero_code,
        pivot=row.pivot or 0.0,
        u_relative=row.u_relative or 0.0,
        u_pivot=row.u_pivot or 0.0,
        meters=tuple(_meters(row.details.get("meters"))),
        temperatures=tuple(temperatures_then(row).items()),
    )


def _meters(given: Any) -> Iterable[MeterError]:
    for entry in given if isinstance(given, list) else []:
        try:
            yield MeterError(str(entry["meter"]), float(entry["u_relative"]), float(entry["u_offset"]))
        except (KeyError, TypeError, ValueError):
            continue


def temperatures_then(row: CalibrationRow) -> dict[str, float]:
    """Temperatures at which a calibration was made, in °C, by the thermometer's channel."""
    given = row.details.get("temperatures")
    if not isinstance(given, dict):
        return {}
    return {str(name): float(t) for name, t in given.items() if isinstance(t, (int, float))}


def _stale(row: CalibrationRow, wall_s: float, temperatures: Temperatures) -> list[str]:
    found = []
    # The zero of a line is as old as the zero that it was drawn through.
    zeroed = row.details.get("zero_wall_s")
    days = (wall_s - (zeroed if isinstance(zeroed, float) else row.wall_s)) / DAY_S
    if abs(days) > STALE_DAYS:
        side = "before" if days > 0 else "after"
        found.append(
            f"taken {abs(days):.0f} days {side} ({STALE_DAYS:.0f} at most); offsets count as the bench file "
            "states them until `livesense zero` takes a new one"
        )
    for name, then_c in temperatures_then(row).items():
        low, high = temperatures.get(name, (then_c, then_c))
        far = max(then_c - low, high - then_c)
        if far > STALE_K:
            found.append(
                f"taken at {then_c:.0f} °C ({name}), {far:.0f} K from this run ({STALE_K:.0f} at most); "
                "offsets count as the bench file states them"
            )
            break
    return found


def _other_devices(rows: Sequence[CalibrationRow], device: str) -> list[str]:
    others = sorted({row.device for row in rows if row.device and device and row.device != device})
    return [
        f"the calibration was made with the device {other!r}, this one calls itself {device!r}: "
        "state board in the [[channel]] tables where these are different boards"
        for other in others
    ]


def _other_boards(rows: Sequence[CalibrationRow], boards: Mapping[str, str]) -> list[str]:
    told: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        told.setdefault((row.board, boards[row.channel]), []).append(row.channel)
    return [
        f"calibration of {', '.join(dict.fromkeys(names))}: made on {_board(there)}, the bench file now "
        f"names {_board(here)}: not used"
        for (there, here), names in told.items()
    ]


def _board(name: str) -> str:
    return f"board {name!r}" if name else "no board"


def row_facts(row: CalibrationRow) -> dict[str, Any]:
    """Write a calibration of one channel for JSON."""
    facts: dict[str, Any] = {
        "calibration": row.number,
        "made": iso_time(row.wall_s),
        "board": row.board,
        "device": row.device,
        "zero_code": row.zero_code,
        "u_codes": row.u_codes,
        "scans": row.scans,
        "temperatures": temperatures_then(row),
        "reason": row.reason,
    }
    if row.kind == "scale":
        scale = _scale(row)
        facts["per_code"] = row.per_code
        facts["unit"] = row.unit
        facts["u_scale_percent"] = None if scale is None else 100 * scale.u_scale
        facts["meters"] = [m.meter for m in scale.meters] if scale is not None else []
        facts["resistance"] = row.details.get("resistance") or {}
    return facts


def facts_of(found: InUse) -> dict[str, Any] | None:
    """Write what a run uses for JSON; None where it uses nothing."""
    if not found.rows:
        return None
    channels: dict[str, dict[str, Any]] = {}
    for row in found.rows:
        channels.setdefault(row.channel, {})[row.kind] = row_facts(row)
    return {"channels": channels, "stale": list(found.stale), "warnings": list(found.warnings)}

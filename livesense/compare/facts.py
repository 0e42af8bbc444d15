"""The answer of `compare`: rows of figures side by side, differences, what changed, and a sentence."""

from __future__ import annotations

import math
import tomllib
from typing import Any

from livesense.analysis import RunAnalysis
from livesense.bench import Bench, Channel
from livesense.compare.differences import (
    Difference,
    SameError,
    difference,
    heat,
    heat_difference,
    of_one_run,
    of_two_runs,
)
from livesense.compare.matching import Match, State, current_names, match, states
from livesense.compare.sides import Side, sides
from livesense.errors import UsageError
from livesense.reach import reach
from livesense.samples import Estimate
from livesense.timetext import run_seconds
from livesense.wording import listed, significant

LOWEST_HZ = 10.0
ALIKE = 0.03
"""Ratios so near to 1 are not told."""

HIGHEST_SHARE = 0.45
"""Default band of the noise: from 10 Hz to this share of the lower scan rate."""

Window = tuple[float | None, float | None]


def compare_runs(
    first: RunAnalysis,
    second: RunAnalysis,
    windows: tuple[Window, Window] = ((None, None), (None, None)),
    band_hz: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """Compare the channels that two runs have in common, where speed and current are alike.

    Raises
    ------
    UsageError
        when they have no phase current in common.
    """
    names = [n for n in current_names(first) if n in current_names(second)]
    if not names:
        raise UsageError(
            "expected two runs with a phase current of one name in both, got "
            f"{', '.join(current_names(first)) or 'none'} and {', '.join(current_names(second)) or 'none'}"
        )
    found = match(states(first, *windows[0]), states(second, *windows[1]))
    extents = (first.extent_s(), second.extent_s())
    a_s = (found.first.from_s, found.first.to_s) if found else extents[0]
    b_s = (found.second.from_s, found.second.to_s) if found else extents[1]
    a, b = sides(first, names, *a_s), sides(second, names, *b_s)
    matched = found is not None and found.why_not is None
    pairs = []
    for name in names:
        same = of_two_runs(a[name].channel, b[name].channel, _unchanged(first, second, a[name], b[name]))
        pairs.append((f"{name}", a[name], b[name], same))
    return {
        "first": _about(first, a_s, found.first if found else None),
        "second": _about(second, b_s, found.second if found else None),
        "matched": matched,
        "why_not": _why_not(found),
        **_pairs(pairs, band_hz, at_load=matched),
        "chains": False,
        "changed": _changed(first, second),
    }


def compare_chains(
    analysis: RunAnalysis,
    pairs: list[tuple[str, str]],
    window: Window = (None, None),
    band_hz: tuple[float, float] | None = None,
    *,
    one_shunt: bool = False,
) -> dict[str, Any]:
    """Compare chains of one phase within one run, at the same instants.

    Raises
    ------
    UsageError
        when a channel is not there, or the two of a pair are not sampled at the same instants.
    """
    chain = analysis.chain
    settings = {c.name: c for c in analysis.bench.channels}
    for pair in pairs:
        for name in pair:
            if name not in chain.channels or chain.channels[name].quantity != "current":
                currents = [n for n, c in chain.channels.items() if c.quantity == "current"]
                raise UsageError(f"expected a current out of {', '.join(currents)}, got {name!r}")
        if len({settings[name].phase for name in pair}) > 1:
            phases = " and ".join(f"{name} (phase {settings[name].phase or 'none'})" for name in pair)
            raise UsageError(f"expected two chains of one phase, got {phases}: they carry other currents")
        _same_instants(settings[pair[0]], settings[pair[1]], *(chain.channels[n].group for n in pair))
    begin_s, end_s = analysis.extent_s()
    from_s = begin_s if window[0] is None else window[0]
    to_s = end_s if window[1] is None else window[1]
    steady = None
    if window == (None, None):
        # The most loaded steady part, which tells most; the whole run where none is steady.
        steady = max(states(analysis), key=lambda s: s.rms_a, default=None)
        from_s, to_s = (from_s, to_s) if steady is None else (steady.from_s, steady.to_s)
    same = of_one_run(one_shunt)
    found = []
    for one, other in pairs:
        measured = sides(analysis, [one, other], from_s, to_s)
        found.append((f"{one}, {other}", measured[one], measured[other], same))
    about = _about(analysis, (from_s, to_s), steady)
    written = _written(analysis.bench)
    changed = [
        {
            "of": f"{one}, {other}",
            "key": key,
            "first": written.get((one, key)),
            "second": written.get((other, key)),
        }
        for one, other in pairs
        for key in dict.fromkeys(key for of, key in written if of in (one, other))
        if key != "column" and written.get((one, key)) != written.get((other, key))
    ]
    return {
        "first": about,
        "second": about,
        "matched": True,
        "why_not": None,
        **_pairs(found, band_hz, at_load=True),
        "chains": True,
        "changed": changed,
    }


def _same_instants(one: Channel, other: Channel, group: int, other_group: int) -> None:
    both = f"{one.name} and {other.name}"
    if group != other_group:
        raise UsageError(f"expected {both} in one group: only what is sampled together can be compared")
    when = {one.sampled_at or "any", other.sampled_at or "any"}
    if when == {"low-on", "high-on"}:
        raise UsageError(
            f"expected {both} sampled at the same instants, got low-on and high-on: only one of the switches "
            "conducts at a time, so they never see the same current"
        )


def _about(analysis: RunAnalysis, window: tuple[float, float], state: State | None = None) -> dict[str, Any]:
    row = analysis.run.row
    return {
        "run": row.number,
        "name": row.name,
        "bench_name": analysis.bench.name,
        "from_s": run_seconds(window[0]),
        "to_s": run_seconds(window[1]),
        "frequency_hz": None if state is None else state.frequency_hz,
        "rms_a": None if state is None else state.rms_a,
    }


def _why_not(found: Match | None) -> str | None:
    return "one of the runs has no steady part with its currents" if found is None else found.why_not


def _pairs(
    pairs: list[tuple[str, Side, Side, SameError]],
    band_hz: tuple[float, float] | None,
    *,
    at_load: bool,
) -> dict[str, Any]:
    rate_hz = min(side.rate_hz for _, a, b, _ in pairs for side in (a, b))
    low_hz, high_hz = band_hz or (LOWEST_HZ, HIGHEST_SHARE * rate_hz)
    return {
        "band_hz": [low_hz, high_hz],
        "pairs": [
            {"of": of, "unit": a.channel.unit, "rows": _rows(a, b, same, (low_hz, high_hz), at_load=at_load)}
            for of, a, b, same in pairs
        ],
    }


def _rows(
    a: Side, b: Side, same: SameError, band_hz: tuple[float, float], *, at_load: bool
) -> list[dict[str, Any]]:
    rows = [
        _plain("range_low", _finite(a.channel.low), _finite(b.channel.low), a.channel.unit),
        _plain("range_high", _finite(a.channel.high), _finite(b.channel.high), a.channel.unit),
        _plain("per_code", a.per_code, b.per_code, a.channel.unit),
    ]
    rated = _rated(a.analysis.bench)
    peak = rated * 2**0.5 if rated is not None else min(reach(s.analysis, [s.channel]) for s in (a, b)) / 2
    for key, value in (("error_full", peak), ("error_small", peak / 10)):
        row = _plain(key, a.error_percent(value), b.error_percent(value), "%")
        rows.append(row | {"at": {"value": value, "unit": a.channel.unit}})
    rows.append(_estimates("noise", a, b, a.noise(*band_hz), b.noise(*band_hz), None))
    if at_load and a.figures is not None and b.figures is not None:
        for key, alternating in (("mean", False), ("rms", True), ("fundamental_rms", True)):
            one, other = getattr(a.figures, key), getattr(b.figures, key)
            rows.append(_estimates(key, a, b, one, other, same, alternating=alternating))
        rows.append(_heat(a, b, same))
    return rows


def _finite(end: float) -> float | None:
    return end if math.isfinite(end) else None


def _rated(bench: Bench) -> float | None:
    return None if bench.motor is None else bench.motor.rated_current_a


def _plain(key: str, first: float | None, second: float | None, unit: str) -> dict[str, Any]:
    """Write a figure that follows from the bench file alone."""
    change = None if first is None or second is None else second - first
    return {
        "figure": key,
        "first": {"value": first, "u": 0.0, "unit": unit},
        "second": {"value": second, "u": 0.0, "unit": unit},
        "difference": None if change is None else {"value": change, "u": 0.0, "unit": unit},
        "differs": None if change is None else change != 0,
    }


def _estimates(
    key: str,
    a: Side,
    b: Side,
    one: Estimate | None,
    other: Estimate | None,
    same: SameError | None,
    *,
    alternating: bool = True,
) -> dict[str, Any]:
    """Write a measured figure; without ``same`` its difference is known to its random parts and scales."""
    found: Difference | None = None
    if one is not None and other is not None:
        if same is None:
            u = (one.u**2 + other.u**2) ** 0.5
            found = Difference(other.value - one.value, u, one.unit)
        else:
            found = difference((a.channel, one), (b.channel, other), same, alternating=alternating)
    return _measured(key, one, other, found)


def _heat(a: Side, b: Side, same: SameError) -> dict[str, Any]:
    """Write the power in both shunts at the currents measured."""
    first, second = a.heated(), b.heated()
    found = heat_difference(first, second, same) if first is not None and second is not None else None
    one, other = (None if side is None else heat(*side) for side in (first, second))
    return _measured("dissipation", one, other, found)


def _measured(
    key: str, one: Estimate | None, other: Estimate | None, found: Difference | None
) -> dict[str, Any]:
    return {
        "figure": key,
        "first": None if one is None else one.as_json(),
        "second": None if other is None else other.as_json(),
        "difference": None if found is None else {"value": found.value, "u": found.u, "unit": found.unit},
        "differs": None if found is None else found.differs,
    }


def _unchanged(first: RunAnalysis, second: RunAnalysis, a: Side, b: Side) -> bool:
    """Whether one channel's chain is the same thing in both runs, calibration and board as well."""
    return (
        a.settings == b.settings
        and first.bench.adc == second.bench.adc
        and first.bench.name == second.bench.name
        and first.in_use.numbers == second.in_use.numbers
    )


def _changed(first: RunAnalysis, second: RunAnalysis) -> list[dict[str, Any]]:
    """List what is not the same: firmware, link, calibrations, and the bench file as it is written."""
    one, other = first.run.row, second.run.row
    ours, theirs = _written(first.bench), _written(second.bench)
    ours |= {("run", key): getattr(one, key) for key in ("device", "wire", "version")}
    theirs |= {("run", key): getattr(other, key) for key in ("device", "wire", "version")}
    ours["run", "calibrations"], theirs["run", "calibrations"] = first.in_use.numbers, second.in_use.numbers
    return [
        {"of": of, "key": key, "first": ours.get((of, key)), "second": theirs.get((of, key))}
        for of, key in dict.fromkeys([*ours, *theirs])
        if ours.get((of, key)) != theirs.get((of, key))
    ]


def _written(bench: Bench) -> dict[tuple[str, str], Any]:
    """Values of a bench file as they were written, by table (a channel's by its name) and key."""
    document = tomllib.loads(bench.text)
    found = {
        (table, key): value
        for table in ("bench", "link", "adc", "motor")
        for key, value in document.get(table, {}).items()
        # Where the bytes came from does not change what they mean.
        if (table, key) != ("link", "port")
    }
    for channel in document.get("channel", []):
        found |= {(channel["name"], key): value for key, value in channel.items() if key != "name"}
    return found


def sentence(pair: dict[str, Any]) -> str:
    """Say in a sentence what a pair's rows come to."""
    rows = {row["figure"]: row for row in pair["rows"]}
    parts = []
    if (ratio := _ratio(rows["noise"])) is not None:
        parts.append(f"{_times(ratio)} the noise")
    if (ratio := _ratio(rows["range_high"])) is not None and ratio != 1:
        parts.append(f"{_times(ratio)} the range")
    if (ratio := _ratio(rows["error_small"])) is not None:
        at = rows["error_small"]["at"]
        parts.append(f"{_times(ratio)} the error at {significant(at['value'], 3)} {at['unit']}")
    said = (
        f"The second has {listed(parts)} of the first" if parts else "Nothing can be set against each other"
    )
    row = rows.get("fundamental_rms") or {}
    if row.get("differs") is None:
        return f"{said}."
    if row["differs"]:
        return f"{said}; their fundamentals differ by more than is known of them."
    return f"{said}; their fundamentals agree within what is known of them."


def _ratio(row: dict[str, Any]) -> float | None:
    first, second = ((row[key] or {}).get("value") for key in ("first", "second"))
    return second / first if first and second is not None else None


def _times(ratio: float) -> str:
    if abs(ratio - 1) < ALIKE:
        return "about"
    return f"{ratio:.0f} times" if ratio >= 10 else f"{significant(ratio, 2)} times"

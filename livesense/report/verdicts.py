"""Does a figure lie within its limits, by its interval? What ``[limits]`` of a bench file asks of a run.

The interval is the figure ± its expanded uncertainty (k = 2, about 95 %). All of it within: passed; all of
it beyond: failed; else undecided. That is the decision rule with a guard band as wide as the expanded
uncertainty on either side of a limit (JCGM 106:2012, ISO 14253-1; both from memory, clauses to be confirmed).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from livesense.bench import Bounds
from livesense.measures.rotation import STEP_S
from livesense.wording import COVERAGE_FACTOR, significant


class Verdict(StrEnum):
    """What becomes of a figure."""

    PASS = "passed"
    FAIL = "failed"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Judged:
    """One figure against its limits.

    Attributes
    ----------
    key
        Of ``[limits]``.
    what, where
        The figure in words, and the part of the run it is of.
    quantity
        ``{"value", "u", "unit"}``; None where it is withheld.
    bounds
        What it must lie within.
    verdict, why
        And the reason where the interval alone does not tell.
    """

    key: str
    what: str
    where: str
    quantity: Mapping[str, Any] | None
    bounds: Bounds
    verdict: Verdict
    why: str = ""


def allowed(bounds: Bounds) -> str:
    """Write limits: ``at most 3 %``, ``22 V to 26 V``."""
    unit = f" {bounds.unit}" if bounds.unit else ""
    if bounds.low is None:
        return f"at most {significant(bounds.high or 0.0)}{unit}"
    return f"{significant(bounds.low)}{unit} to {significant(bounds.high or 0.0)}{unit}"


def judge(quantity: Mapping[str, Any] | None, bounds: Bounds) -> Verdict:
    """Judge a figure; one that is a lower bound (``at_least``) can only fail or stay undecided.

    Parameters
    ----------
    quantity
        ``{"value", "u", "unit"}`` with the standard uncertainty, in the unit of the bounds. Without a value,
        or without a known uncertainty, nothing is decided.
    bounds
        Both ends are within.
    """
    if quantity is None or quantity.get("value") is None or quantity.get("u") is None:
        return Verdict.UNDECIDED
    value, expanded = float(quantity["value"]), COVERAGE_FACTOR * float(quantity["u"])
    low, high = value - expanded, math.inf if quantity.get("at_least") else value + expanded
    least = -math.inf if bounds.low is None else bounds.low
    most = math.inf if bounds.high is None else bounds.high
    if least <= low and high <= most:
        return Verdict.PASS
    if high < least or low > most:
        return Verdict.FAIL
    return Verdict.UNDECIDED


def judged(
    limits: Mapping[str, Bounds],
    stretches: Sequence[Mapping[str, Any]],
    phases: Mapping[str, str],
    events: int,
) -> list[Judged]:
    """Judge all that ``[limits]`` asks for.

    Parameters
    ----------
    limits
        Of the bench file.
    stretches
        As :func:`livesense.stretch_facts.stretches_of` has them.
    phases
        Channel → U, V or W, of those that the figures are told of.
    events
        Alarms in the whole run; notes do not count.
    """
    found: list[Judged] = []
    for key, bounds in limits.items():
        rows = list(_figures(key, stretches, phases, events))
        if not rows:
            found.append(Judged(key, _WORDS[key], "", None, bounds, Verdict.UNDECIDED, _missing(key)))
        for what, where, quantity, why in rows:
            verdict = judge(quantity, bounds)
            found.append(Judged(key, what, where, quantity, bounds, verdict, why if quantity is None else ""))
    return found


_WORDS = {
    "current_rms": "current, rms",
    "unbalance": "unbalance",
    "residual": "residual, rms",
    "distortion": "distortion",
    "speed": "speed",
    "bus_voltage": "bus voltage",
    "input_power": "input power",
    "temperature": "temperature",
    "current_peak": "largest current",
    "start_time": "time to speed",
    "events": "events",
}

_OF_CHANNEL = {"current_rms": "rms", "distortion": "thd_percent"}
_OF_PART = {
    "unbalance": ("three_phase", "unbalance_percent"),
    "residual": ("three_phase", "residual_rms"),
    "speed": ("speed", "rpm"),
    "bus_voltage": ("power", "bus_voltage"),
    "input_power": ("power", "input_power"),
}

Row = tuple[str, str, Mapping[str, Any] | None, str]


def _missing(key: str) -> str:
    if key == "start_time":
        return "the run holds no start"
    if key == "current_peak":
        return "the run holds no stretch with current"
    return "the run holds no steady part" if key != "temperature" else "no thermometer in a steady part"


def _figures(
    key: str, stretches: Sequence[Mapping[str, Any]], phases: Mapping[str, str], events: int
) -> Iterator[Row]:
    if key == "events":
        yield "events", "whole run", {"value": events, "u": 0.0, "unit": ""}, ""
        return
    for row in stretches:
        where = f"{row['kind']}, {row['from_s']:.2f} s to {row['to_s']:.2f} s"
        if key == "start_time" and row["kind"] == "start":
            yield _start(row, where)
        elif key == "current_peak" and "highest" in row:
            highest = row["highest"]
            yield (
                f"largest current, {highest['channel']}",
                where,
                highest | {"value": abs(highest["value"])},
                "",
            )
        elif row["kind"] == "steady":
            yield from _of_steady(key, row["measures"], phases, where)


def _start(row: Mapping[str, Any], where: str) -> Row:
    if row.get("time_to_speed_s") is None:
        return "time to speed", where, None, "no steady part follows"
    # Told in steps of so much; where within one is not known.
    quantity = {"value": row["time_to_speed_s"], "u": STEP_S / math.sqrt(3), "unit": "s"}
    return "time to speed", where, quantity, ""


def _of_steady(key: str, measures: Mapping[str, Any], phases: Mapping[str, str], where: str) -> Iterator[Row]:
    if key in _OF_CHANNEL:
        figure = _OF_CHANNEL[key]
        for name in phases:
            channel = measures["channels"].get(name, {})
            why = (channel.get("withheld") or {}).get(figure, "")
            yield f"{_WORDS[key]}, {name}", where, channel.get(figure), why
    elif key == "temperature":
        for name, quantity in (measures.get("temperatures") or {}).items():
            yield f"temperature, {name}", where, quantity, ""
    elif key in _OF_PART:
        part, figure = _OF_PART[key]
        facts = measures.get(part) or {}
        why = (facts.get("withheld") or {}).get(figure, "not measured on this bench")
        yield _WORDS[key], where, facts.get(figure), why


def summary(rows: Sequence[Judged]) -> str:
    """Say in a sentence what the verdicts come to."""
    count = {verdict: sum(row.verdict is verdict for row in rows) for verdict in Verdict}
    parts = [f"{count[verdict]} {verdict}" for verdict in Verdict if count[verdict]]
    said = ", ".join(parts)
    if count[Verdict.FAIL]:
        return f"Not within the limits: {said}."
    if count[Verdict.UNDECIDED]:
        return f"Not proven to be within the limits: {said}."
    return f"Within all limits: {said}."


def told(rows: Sequence[Judged]) -> list[tuple[Judged, int]]:
    """Choose what is told: all that fail or are undecided, and of those that pass a limit the nearest to it.

    Returns each with how many others that pass the same limit it stands for.
    """
    chosen: list[tuple[Judged, int]] = []
    for key in dict.fromkeys(row.key for row in rows):
        mine = [row for row in rows if row.key == key]
        chosen += [(row, 0) for row in mine if row.verdict is not Verdict.PASS]
        passed = [row for row in mine if row.verdict is Verdict.PASS]
        if passed:
            chosen.append((min(passed, key=_room), len(passed) - 1))
    return chosen


def _room(row: Judged) -> float:
    """Tell how far from the nearer limit a figure that passes lies, its interval taken off."""
    assert row.quantity is not None
    value, expanded = float(row.quantity["value"]), COVERAGE_FACTOR * float(row.quantity["u"])
    below = math.inf if row.bounds.high is None else row.bounds.high - value
    above = math.inf if row.bounds.low is None else value - row.bounds.low
    return min(below, above) - expanded

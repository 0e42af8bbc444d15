"""The rules that a bench has without stating them: what is expected of any, from what the file says."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from livesense.bench import Motor, Watch
from livesense.bench.checks import range_of, reach
from livesense.bench.rules import Rules, named
from livesense.bench.tables import Place
from livesense.bench.triples import PHASES, bus_voltage, phase_triple

PEAK_OF_RATED = 2 * 2**0.5
"""Twice the peak of the rated current."""
OF_RANGE = 0.8
"""Most of what a channel can read that a default limit takes."""
HOLD_SCANS = 2
CALM_S = 0.6
"""An overload of a current from 1 Hz on is one event."""
CALM_CLIPPING_S = 0.6


def default_rules(
    file: str, rules: Rules, motor: Motor | None, stated: Collection[Watch], off: Collection[str]
) -> tuple[Watch, ...]:
    """Make the default rules of kinds that are neither stated nor switched off."""
    place = Place(file, "default rules")
    kinds = {watch.kind for watch in stated} | set(off)
    rated_a = motor.rated_current_a if motor is not None else None
    found: list[Watch] = []

    def add(kind: str, changes: dict[str, Any] | None = None, **keys: Any) -> None:
        if kind not in kinds:
            found.append(named(rules.completed(place, kind, keys), **(changes or {})))

    if rated_a is not None:
        currents = _currents(rules)
        if currents:
            names, limit = _limited(rules, currents, PEAK_OF_RATED * rated_a)
            add(
                "overcurrent",
                {"hold_scans": HOLD_SCANS},
                channels=names,
                limit=limit,
                release_hold=CALM_S,
            )
        if rest := _not_watched(rules, [*stated, *found]):
            add("clipping", {"hold_scans": HOLD_SCANS}, channels=rest, release_hold=CALM_CLIPPING_S)
        if _both_ways(rules):
            add("overload")
            add("phase-loss")
            add("unbalance")
            if motor is not None and motor.sequence is not None:
                add("reversed")
    if rules.conditions.bus_voltage_v is not None and (bus := bus_voltage(rules.channels)):
        in_use_a = rules.in_use_above()
        in_use: dict[str, Any] = {"above": in_use_a} if in_use_a else {}
        add("undervoltage", None, **in_use)
        by_name = {c.name: c for c in rules.channels}
        span = range_of(by_name[bus], by_name, rules.adc)
        if span is None or 1.2 * rules.conditions.bus_voltage_v < span[1]:
            add("overvoltage")
    return tuple(found)


def _currents(rules: Rules) -> tuple[str, ...]:
    return tuple(c.name for c in rules.channels if c.phase in PHASES and c.quantity == "current")


def _limited(rules: Rules, names: tuple[str, ...], limit: float) -> tuple[tuple[str, ...], float]:
    """Give the limit that all of these can show."""
    by_name = {c.name: c for c in rules.channels}
    for name in names:
        if (span := range_of(by_name[name], by_name, rules.adc)) is not None:
            limit = min(limit, OF_RANGE * reach(span))
    return names, limit


def _not_watched(rules: Rules, watches: Collection[Watch]) -> tuple[str, ...]:
    """Currents that no rule on each scan watches: there nothing else tells of the end of the range."""
    watched = {name for watch in watches if watch.instant for name in watch.channels}
    return tuple(
        c.name for c in rules.channels if c.quantity == "current" and not c.source and c.name not in watched
    )


def _both_ways(rules: Rules) -> bool:
    """Tell whether three phase currents are there that read both directions."""
    names = phase_triple(rules.channels)
    if names is None:
        return False
    by_name = {c.name: c for c in rules.channels}
    spans = [range_of(by_name[name], by_name, rules.adc) for name in names]
    return all(span is None or min(-span[0], span[1]) > 0.25 * max(-span[0], span[1]) for span in spans)

"""A form judged: what is wrong in which field, and what the bench is worth as it stands there."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from livesense.bench import Bench, Sensor, parse
from livesense.bench.keys import REPEATED, TABLES
from livesense.bench.tables import file_name, shown
from livesense.bench.values import Unfit, engineering
from livesense.bench_form.editing import edited
from livesense.bench_form.fields import fields, value_of
from livesense.budget_facts import budget_facts, headline
from livesense.card.points import Numbers, numbers
from livesense.chain.sizing import relative_error
from livesense.errors import BenchError
from livesense.sizing_chart import ON_DARK, ON_WHITE, Curve, ErrorChart, svg
from livesense.wording import significant

CURVES = 6
PLACES = 160
SMALL_SHARE = 1 / 300
"""The chart begins at this part of what a channel reads."""
ALLOWED_PERCENT = 1.0
"""The line that the chart holds errors against: what a shunt of 1 % promises (common practice, no source)."""


def judged(text: str, form: Any, file: str) -> dict[str, Any]:
    """Judge a form on a file's text.

    Returns ``problems`` by field (``channel.0.gain``; of a whole table ``channel.0``; "" of the file), the
    ``text`` that would be written, its ``warnings``, ``channels`` with what each is worth, and their
    ``chart`` as SVG for a ``light`` and a ``dark`` screen; the last three are empty where it cannot be used.

    Raises
    ------
    UsageError
        The form is none.
    BenchError
        The file is no TOML.
    """
    made = edited(text, form, file)
    problems = _single(form)
    bench = None
    try:
        bench = parse(made, file)
    except BenchError as error:
        # A value that is wrong by itself comes first; what follows from it is told once that is right.
        if not problems:
            place, why = _place(str(error), form)
            problems[place] = why
    told: dict[str, Any] = {"problems": problems, "text": made, "warnings": [], "channels": [], "chart": None}
    if bench is not None and not problems:
        told["warnings"] = list(bench.warnings)
        told |= worth(bench)
    return told


def _single(form: Mapping[str, Any]) -> dict[str, str]:
    """Read each field by itself: one wrong value does not hide another."""
    found = {}
    for table in TABLES:
        given: Any = form.get(table) or {}
        named: list[tuple[str, Mapping[str, str]]] = (
            [(f"{table}.{at}", row["keys"]) for at, row in enumerate(given)]
            if table in REPEATED
            else [(table, given)]
        )
        for place, keys in named:
            for field in fields(table):
                text = keys.get(field.key, "").strip()
                if not text:
                    continue
                value = value_of(field, text, sensor=keys.get("sensor", ""))
                try:
                    TABLES[table][field.key].read(value)
                except Unfit as unfit:
                    found[f"{place}.{field.key}"] = f"expected {unfit}, got {shown(value)}"
    return found


_CHANNEL = re.compile(r'channel (?:"(?P<name>.*?)"|(?P<number>\d+))')
_NUMBERED = re.compile(r"(?P<table>watch|group) (?P<number>\d+)")


def _place(message: str, form: Mapping[str, Any]) -> tuple[str, str]:
    """Find the field that a message about a whole file means; "" where it means none."""
    _, _, rest = message.partition(": ")
    place, _, why = rest.partition(": ")
    channel, numbered = _CHANNEL.fullmatch(place), _NUMBERED.fullmatch(place)
    at: str | None = place if place in TABLES else None
    if channel is not None:
        names = [row["keys"].get("name", "") for row in form.get("channel", [])]
        number = int(channel["number"]) - 1 if channel["number"] else _last(names, channel["name"])
        at = None if number is None else f"channel.{number}"
    elif numbered is not None:
        # Rules are counted from 1 in messages, groups from 0.
        at = f"{numbered['table']}.{int(numbered['number']) - (numbered['table'] == 'watch')}"
    if at is None:
        return "", rest
    key, colon, words = why.partition(": ")
    known = {field.key for field in fields(at.split(".")[0] if at.split(".")[0] in REPEATED else at)}
    return (f"{at}.{key}", words) if colon and key in known else (at, why)


def _last(names: list[str], name: str) -> int | None:
    """Find where a name stands last: of two alike the later one is the mistake."""
    found = [at for at, other in enumerate(names) if other == name]
    return found[-1] if found else None


def worth(bench: Bench) -> dict[str, Any]:
    """Tell what each channel is worth, and draw the errors of the shunts; BenchError never leaves this."""
    try:
        found = numbers(bench)
    except BenchError as error:
        # A described device may leave the bits to itself.
        return {"channels": [], "chart": None, "warnings": [*bench.warnings, str(error).partition(": ")[2]]}
    return {"channels": [_channel(bench, one) for one in found], "chart": _chart(bench, found)}


def _channel(bench: Bench, one: Numbers) -> dict[str, Any]:
    chain, unit = one.chain, one.chain.unit
    facts = [["Sensor", str(one.channel.sensor)]]
    if chain.per_code is not None and unit:
        facts.append(["One code", engineering(float(f"{abs(chain.per_code):.4g}"), unit)])
    if math.isfinite(chain.low) and math.isfinite(chain.high) and chain.quantity != "state":
        facts.append(
            ["Range", f"{significant(chain.low, 4)} to {significant(chain.high, 4)} {unit}".rstrip()]
        )
    if chain.zero_code is not None and chain.quantity == "current":
        facts.append(["Code of zero", significant(chain.zero_code, 6)])
    budget = budget_facts(bench, chain)
    rows: list[list[str]] = []
    if budget is not None and budget["rows"]:
        facts.append(["Uncertainty", headline(budget)])
        rows = [
            [row["source"], row["stated"], row["contribution_text"], f"{row['share_percent']:.0f} %"]
            for row in budget["rows"]
        ]
    return {
        "name": one.channel.name,
        "facts": facts,
        "budget": rows,
        "assumed": list(one.channel.assumed),
    }


def _chart(bench: Bench, found: tuple[Numbers, ...]) -> dict[str, str] | None:
    """Draw error against current of the channels with a shunt; those that are alike share a curve."""
    curves: dict[tuple[tuple[float, float], ...], list[str]] = {}
    currents = [one for one in found if one.channel.sensor is Sensor.SHUNT and one.chain.high > one.chain.low]
    for one in currents:
        curves.setdefault(_curve(one), []).append(one.channel.name)
    drawn = [(points, names) for points, names in curves.items() if len(points) > 1][:CURVES]
    if not drawn:
        return None
    rated = bench.motor.rated_current_a if bench.motor is not None else None
    peak_a = math.sqrt(2) * rated if rated else max(one.chain.high for one in currents) / 2
    limits = [w.limit for w in bench.watches if w.kind == "overcurrent" and w.limit > 0]
    trip_a = min(limits) if limits else peak_a
    chart = ErrorChart(
        title="Error against current",
        about=f"{file_name(bench.path)}, expanded (k = 2), as the file states it, without calibrations",
        curves=tuple(
            Curve(", ".join(names), points, number, 1) for number, (points, names) in enumerate(drawn)
        ),
        measured=(),
        small_a=drawn[0][0][0][0] * 3,
        allowed_percent=ALLOWED_PERCENT,
        peak_a=peak_a,
        trip_a=trip_a,
        reach_a=trip_a,
        caption="Of one reading. Curves end where the chain clips.",
    )
    return {"light": svg(chart, ON_WHITE), "dark": svg(chart, ON_DARK)}


def _curve(one: Numbers) -> tuple[tuple[float, float], ...]:
    high = max(abs(one.chain.low), abs(one.chain.high)) * (1 - 1e-9)
    both_ways = one.chain.low < 0 < one.chain.high
    low = high * SMALL_SHARE if both_ways else max(high * SMALL_SHARE, abs(one.chain.low) * (1 + 1e-9))
    if not low < high:
        return ()
    if both_ways:
        high = min(high, abs(one.chain.low) * (1 - 1e-9), one.chain.high * (1 - 1e-9))
    at = np.geomspace(low, high, PLACES)
    errors = 100 * relative_error(one.chain, at, both_ways=both_ways)
    points = zip(at.tolist(), errors.tolist(), strict=True)
    return tuple((round(a, 9), round(e, 6)) for a, e in points if math.isfinite(e) and e > 0)

"""The uncertainty budget of a channel as a table: what `show` and the page tell of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from livesense.bench import Bench
from livesense.chain import ChannelChain
from livesense.chain.budget import Acts
from livesense.measures.three_phase import PHASES
from livesense.wording import significant


def budget_facts(bench: Bench, channel: ChannelChain) -> dict[str, Any] | None:
    """Budget at the value that the channel is there for; None where it measures no quantity.

    A phase at its rated rms current, the bus voltage at its nominal value, a thermometer at 25 °C; where
    these are not stated, at half of what the channel can read.
    """
    if channel.quantity in ("state", "number") or not math.isfinite(channel.high):
        return None
    value, what, alternating = _where(bench, channel)
    rows = channel.budget.rows(value, alternating=alternating)
    for row in rows:
        row |= _own_units(row, channel.unit)
    u = math.sqrt(sum(row["contribution"] ** 2 for row in rows))
    return {
        "at": {"value": value, "unit": channel.unit, "what": what},
        "alternating": alternating,
        "rows": rows,
        "u": u,
        "u_one_reading": math.hypot(u, channel.u_quantisation),
        "dominated_by": rows[0]["source"] if rows and rows[0]["contribution"] else None,
        "not_stated": list(channel.u_excludes),
    }


_IN_WORDS = {
    Acts.SCALE: (100.0, "%"),
    Acts.PIN: (100.0, "%"),
    Acts.HEATING: (1e6, "ppm/{unit}²"),
}


def _own_units(row: dict[str, Any], unit: str) -> dict[str, Any]:
    """Write an error in the unit people say it in: percentages for what is relative."""
    factor, written = _IN_WORDS.get(Acts(row["acts"]), (1.0, "{unit}"))
    written = written.format(unit=unit)
    per = "" if written == unit else f"{unit}/({written})" if "/" in written else f"{unit}/{written}"
    return {
        "u_text": f"{significant(factor * row['u'], 2)} {written}",
        "sensitivity_text": f"{significant(row['sensitivity'] / factor, 3)} {per}".rstrip(),
        "contribution_text": f"{significant(row['contribution'], 2)} {unit}",
    }


def alike(budgets: Mapping[str, dict[str, Any] | None]) -> list[tuple[list[str], dict[str, Any]]]:
    """Join channels with one and the same budget: their names, and it. Those without errors are left out."""
    found: dict[str, tuple[list[str], dict[str, Any]]] = {}
    for name, budget in budgets.items():
        if budget is not None and budget["rows"]:
            found.setdefault(str(budget), ([], budget))[0].append(name)
    return list(found.values())


COLUMNS = ("source", "stated", "u", "sensitivity", "contributes", "share")
"""What the cells of a row of a budget are."""


def cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Write a row of a budget for people, in the order of :data:`COLUMNS`."""
    return (
        row["source"] + (", shared" if row["shared"] else ""),
        row["stated"],
        row["u_text"],
        row["sensitivity_text"],
        row["contribution_text"],
        f"{row['share_percent']:.0f} %",
    )


def headline(budget: Mapping[str, Any]) -> str:
    """Say where a budget holds and what it comes to: ``at 6 A (rated current, rms): ± 0.08 A (k = 2)``."""
    at = budget["at"]
    value = f"{significant(at['value'], 4)} {at['unit']}"
    where = value if at["what"] == value else f"{value} ({at['what']})"
    return f"at {where}: ± {significant(2 * budget['u'], 2)} {at['unit']} (k = 2)"


def _where(bench: Bench, channel: ChannelChain) -> tuple[float, str, bool]:
    rated = bench.motor.rated_current_a if bench.motor is not None else None
    if channel.quantity == "current" and channel.phase in PHASES:
        if rated is not None:
            return rated, "rated current, rms", True
        return max(abs(channel.low), abs(channel.high)) / 2 / math.sqrt(2), "half of the range, rms", True
    if channel.quantity == "voltage" and channel.phase == "bus" and bench.conditions.bus_voltage_v:
        return bench.conditions.bus_voltage_v, "nominal bus voltage", False
    if channel.quantity == "temperature":
        return 25.0, "25 °C", False
    end = channel.high if abs(channel.high) >= abs(channel.low) else channel.low
    return end / 2, "half of the range", False

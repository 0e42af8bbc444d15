"""Figures, events and link health as the rows that the browser writes into the page.

A figure that cannot be stood by keeps its tile and says why it is withheld.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dashboard.digits import MINUS, SteadyDigits, grouped, lasting, shown
from dashboard.situation import SILENT_S
from livesense.logbook.run_reader import RunReader
from livesense.wording import bounded, listed

SINGLE_FIGURES: tuple[tuple[str, str, str], ...] = (
    ("speed.rpm", "Speed", "rpm"),
    ("power.input_power", "Input power", "W"),
    ("power.bus_voltage", "Bus voltage", "V"),
)
FURTHER_FIGURES: tuple[tuple[str, str, str], ...] = (
    ("three_phase.unbalance_percent", "Unbalance", "%"),
    ("power.bus_current", "Bus current", "A"),
    ("speed.electrical_hz", "Electrical frequency", "Hz"),
    ("three_phase.residual_rms", "Sum of the phases", "A rms"),
)
SIGNED = ("power.input_power", "power.bus_current")
"""Figures whose sign tells something: power taken from the bus, or given back."""
NO_REASON = "cannot be stated from these samples"


def withheld_reason(measured: Mapping[str, Any], *keys: str) -> str:
    """Return why a figure is null: a whole run's reasons stand under dotted paths, a part's beside it."""
    whole = measured.get("withheld")
    if isinstance(whole, Mapping) and isinstance(found := whole.get(".".join(keys)), str):
        return found
    node: Any = measured
    for key in keys[:-1]:
        node = node.get(key) if isinstance(node, Mapping) else None
        reasons = node.get("withheld") if isinstance(node, Mapping) else None
        if isinstance(reasons, Mapping) and isinstance(found := reasons.get(keys[-1]), str):
            return found
    return NO_REASON


def _at(measured: Mapping[str, Any], path: str) -> Mapping[str, Any] | None:
    node: Any = measured
    for key in path.split("."):
        node = node.get(key) if isinstance(node, Mapping) else None
    return node if isinstance(node, Mapping) else None


def tile(
    key: str,
    label: str,
    quantity: Mapping[str, Any] | None,
    unit: str,
    reason: str,
    digits: SteadyDigits,
) -> dict[str, Any]:
    """One tile: ``value`` and ``expanded`` as text, or ``withheld`` with the reason."""
    figure = digits.shown(key, quantity) if quantity else None
    row: dict[str, Any] = {"key": key, "label": label, "unit": unit, "value": None, "expanded": None}
    if figure is None:
        return row | {"withheld": reason}
    at_least = bool(quantity and quantity.get("at_least"))
    plus = "+" if key in SIGNED and figure.value.strip("0.") and not figure.value.startswith(MINUS) else ""
    return row | {
        "value": ("≥ " if at_least else plus) + figure.value,
        "expanded": figure.expanded,
        "withheld": None,
    }


def tiles(
    channels: Sequence[Mapping[str, Any]],
    measured: Mapping[str, Any],
    digits: SteadyDigits,
    why: str,
    changing: Mapping[str, str] | None = None,
    states: Sequence[Mapping[str, str]] = (),
) -> list[dict[str, Any]]:
    """Phase rms first, then speed, power and the rest; ``why`` is said when nothing could be measured.

    ``states`` are the words of the drive's own state channels.

    ``changing`` tells, by a tile's key, from what to what its figure changes (empty: not known): that
    stands in place of a tolerance which would only hold for the stretch as a whole.
    """
    rows = []
    for channel in channels:
        name = str(channel["name"])
        # A channel's name may hold a full stop, so it is not part of a path.
        figures = (measured.get("channels") or {}).get(name) or {}
        reason = withheld_reason(measured, "channels", name, "rms") if measured else why
        label = f"Phase {channel['phase']}" if channel["phase"] in ("U", "V", "W") else name
        row = tile(f"rms:{name}", label, figures.get("rms"), f"{channel['unit']} rms", reason, digits)
        clipped = figures.get("clipped_scans") or 0
        rows.append(row | {"large": True, "name": name, "look": channel["look"],
                           "computed": channel["computed"], "clipped": clipped})  # fmt: skip

    def single(figures: Sequence[tuple[str, str, str]]) -> list[dict[str, Any]]:
        return [
            tile(
                path, label, _at(measured, path), unit,
                withheld_reason(measured, *path.split(".")) if measured else why, digits,
            )
            for path, label, unit in figures
        ]  # fmt: skip

    rows += single(SINGLE_FIGURES)
    temperatures = measured.get("temperatures")
    for name, quantity in (temperatures if isinstance(temperatures, Mapping) else {}).items():
        if name != "withheld":
            rows.append(tile(f"temperature:{name}", str(name), quantity, "°C", NO_REASON, digits))
    rows += single(FURTHER_FIGURES)
    rows += [state_tile(state) for state in states]
    for row in rows:
        if row["withheld"] is None and changing and row["key"] in changing:
            row |= {"changing": changing[row["key"]], "expanded": None}
    return rows


def state_tile(state: Mapping[str, str]) -> dict[str, Any]:
    """Word of the drive's firmware: it has no unit and no uncertainty."""
    return {
        "key": f"state:{state['name']}", "label": state["name"], "unit": "", "value": state["text"],
        "expanded": "", "withheld": None, "word": True,
    }  # fmt: skip


def reasons(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Return why figures are withheld, each reason once with the labels of all that it holds for."""
    labels: dict[str, list[str]] = {}
    for row in rows:
        if row["withheld"] is not None:
            labels.setdefault(row["withheld"], []).append(row["label"])
    return [
        {"labels": "All figures" if len(names) == len(rows) > 1 else listed(names), "why": why}
        for why, names in labels.items()
    ]


def empty(why: str) -> list[dict[str, Any]]:
    """Tiles of a page that has no run."""
    return tiles([], {}, SteadyDigits(), why)


def event_row(event: Mapping[str, Any], recording: bool = True) -> dict[str, Any]:
    """One event as the browser lists it; times stay numbers, everything else is text.

    ``recording`` tells whether one without an end may go on: its run may have ended within it.
    """
    peak, limit = event.get("peak") or {}, event.get("limit") or {}
    figure, bound = shown(peak), shown(limit)
    start_s, end_s = event.get("start_s"), event.get("end_s")
    lasted = "going on" if recording else "to the end"
    if start_s is not None and end_s is not None:
        lasted = lasting(end_s - start_s)
    return {
        "kind": str(event.get("kind", "")) + (" (note)" if event.get("severity") == "note" else ""),
        "channel": str(event.get("channel", "")),
        "start_s": start_s,
        "end_s": end_s,
        # What of the waveform belongs to it, before and after.
        "before_s": float(event.get("pre_s") or 0.0),
        "after_s": float(event.get("post_s") or 0.0),
        "lasted": lasted,
        "peak": f"{bounded(peak, sign=True)}{figure.value} {figure.unit}" if figure else "not known",
        "limit": f"{bound.value} {bound.unit}" if bound else "",
        "text": str(event.get("text", "")),
    }


@dataclass(frozen=True, slots=True)
class Health:
    """How the link does: totals of the run; ``lost`` is None where it cannot be counted."""

    scans: int = 0
    lost: int | None = 0
    faults: Mapping[str, int] = field(default_factory=dict)
    nominal_hz: float | None = None
    age_s: float | None = None
    outage: bool = False


def link_rows(
    state: str, health: Health, lost_lately: int, faults_lately: Mapping[str, int]
) -> list[dict[str, Any]]:
    """Rows of the link panel: label, text, and whether the text is bad news."""
    recorder = {
        "recording": "recording",
        "recovered": "stopped without closing its run",
        "complete": "run closed",
        "failed": "ended with an error",
    }.get(state, state)
    rate = (
        "not known"
        if health.nominal_hz is None
        else f"{health.nominal_hz:,.0f} scans/s".replace(",", "\u202f")
    )
    if health.lost is None:
        lost = "cannot be counted: this wire has no counter"
    elif not health.lost:
        lost = "none"
    else:
        share = 100.0 * health.lost / max(1, health.lost + health.scans)
        lost = f"{grouped(health.lost)} scans ({share:.2g} %)"
    faults = ", ".join(f"{grouped(n)} × {kind}" for kind, n in sorted(health.faults.items())) or "none"
    silent = state == "recording" and (
        health.outage or (health.age_s is not None and health.age_s > SILENT_S)
    )
    return [
        {"key": "recorder", "label": "Recorder", "text": recorder, "bad": state in ("recovered", "failed")},
        # The browser writes the age, so that it counts on when nothing comes from here any more.
        {"key": "age", "label": "Last data", "text": "—", "bad": silent},
        {"key": "rate", "label": "Rate", "text": rate, "bad": False},
        {"key": "lost", "label": "Lost", "text": lost, "bad": lost_lately > 0},
        {"key": "faults", "label": "Line faults", "text": faults, "bad": bool(faults_lately)},
    ]


def link_health(run: RunReader) -> Health:
    """Read a run's link health from its logbook; the age of its newest data is not in there."""
    groups = range(len(run.groups))
    lost = [run.scans_lost(group) for group in groups]
    counted = [n for n in lost if n is not None]
    row = run.health()
    figures = row.figures if row is not None else {}
    return Health(
        scans=sum(run.scans_stored(group) for group in groups),
        lost=sum(counted) if counted or not lost else None,
        faults=run.fault_counts(),
        nominal_hz=run.groups[0].rate_hz if run.groups else None,
        outage=figures.get("link") == "away" or run.is_away(),
    )

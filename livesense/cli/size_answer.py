"""What ``size`` found, as facts for programs and as text for people."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Sequence
from typing import Any

from livesense.chain.choosing import Change, Choice, Way, amount, changes, failing, name, rounded_down
from livesense.chain.sizing import Demands, Option, holds_from_a, size_and_angle
from livesense.cli.output import table
from livesense.cli.size_inputs import Question
from livesense.cli.size_points import Point, agreeing
from livesense.wording import MINUS

WIDTH = 80
MOST_PERCENT = 9999
SMALLEST_SHOWN = 1e-5
"""Part of a current; where less of it is lost, the text says only that it is less."""


class Answer:
    """What was found, as facts for programs and as text for people.

    Parameters
    ----------
    shown
        Options that are listed, out of ``count``.
    """

    def __init__(
        self, asked: Question, choice: Choice, shown: Sequence[Option], count: int, points: Sequence[Point]
    ) -> None:
        self.asked = asked
        self.choice = choice
        self.shown = tuple(shown)
        self.count = count
        self.points = tuple(points)

    def facts(self) -> dict[str, Any]:
        """All of it for programs; documented in docs/scripting.md."""
        options = [self._option(option) for option in self.shown]
        best = self.choice.best
        ways = [self._way(way) for way in self.choice.ways]
        return {
            "options": options,
            "best": None if best is None else {**options[self._index(best)], "index": self._index(best)},
            "reason": self.choice.reason,
            "relax": ways[0] if ways else None,
            "relax_others": ways[1:],
            "candidates": self.count,
            "fitting": self.choice.fitting,
            "demands": _demands(self.asked.demands),
            "assumed": dict(self.asked.assumed),
            "u_excludes": list(self.shown[0].chain.u_excludes),
            "points": [point.facts() for point in self.points],
        }

    def _index(self, option: Option) -> int:
        return next(n for n, one in enumerate(self.shown) if one is option)

    def _option(self, option: Option) -> dict[str, Any]:
        demands = self.asked.demands
        unread = math.isnan(option.error_small)
        part, degrees = (None, None) if option.response is None else size_and_angle(option.response)
        return {
            "shunt_ohm": option.candidate.shunt_ohm,
            "gain": option.candidate.gain,
            "present": option.candidate.present,
            "fits": not changes(option, demands),
            "misses": [change.demand for change in changes(option, demands)],
            "range_A": option.range_a,
            "range_low_A": option.low_a,
            "range_high_A": option.high_a,
            "rail_to_rail_A": option.full_range_a,
            "headroom_percent": 100 * (option.range_a / demands.trip_a - 1),
            "code_A": option.code_a,
            "dissipation_W": option.dissipation_w,
            "dissipation_peak_W": option.peak_dissipation_w,
            "self_heating_percent": None if option.self_heating is None else 100 * option.self_heating,
            "error_percent": 100 * option.error_small,
            "error_full_percent": 100 * option.error_full,
            "error_worst_percent": 100 * option.worst_small,
            "error_full_worst_percent": 100 * option.worst_full,
            "error_holds_from_A": holds_from_a(option, demands.error),
            "largest_error": None if unread else option.largest_error(demands.small_a),
            "bandwidth_Hz": option.candidate.bandwidth_hz,
            "bandwidth_error_percent": None if part is None else 100 * part,
            "bandwidth_phase_deg": degrees,
            "points_agreeing": agreeing(option, self.points) if self.points else None,
        }

    def _way(self, way: Way) -> dict[str, Any]:
        return {"changes": [_change(change) for change in way.changes], "option": self._index(way.option)}

    def text(self) -> str:
        """Write all of it for the terminal, in 80 columns."""
        parts = [_wrapped(self.asked_text()), self._table(), "\n".join(map(_wrapped, self._notes()))]
        return "\n\n".join([*parts, _wrapped(self._verdict())])

    def _verdict(self) -> str:
        best = self.choice.best
        if best is None:
            return self.choice.reason
        return "Best: " + self.choice.reason

    def asked_text(self) -> str:
        """Say in a sentence what is asked."""
        demands, channel = self.asked.demands, self.asked.channel
        what = "bus" if channel.phase == "bus" else channel.place
        return (
            f"{what[:1].upper()}{what[1:]} shunt for {amount(demands.peak_a, 'A')} peak, "
            f"{amount(demands.rms_a, 'A')} rms, to read {amount(demands.reach_a, 'A')}; at most "
            f"{amount(demands.dissipation_w, 'W')}, and {100 * demands.error:.3g} % at "
            f"{amount(demands.small_a, 'A')}"
        )

    def _table(self) -> str:
        demands = self.asked.demands
        header = ["", "shunt", "gain", "range", "beyond", "a code", "heat"]
        header += [f"at {amount(demands.small_a, 'A')}", f"at {amount(demands.peak_a, 'A')}"]
        return table(header, [self._row(option) for option in self.shown], right=range(1, 9))

    def _row(self, option: Option) -> tuple[str, ...]:
        demands = self.asked.demands
        missed = {change.demand for change in changes(option, demands)}
        range_missed = "!" if missed & {"headroom", "trip", "current", "reference"} else " "
        heat_missed = "!" if "dissipation" in missed else " "
        error_missed = "!" if missed & {"error", "small-current"} else " "
        sign = "±" if option.both_ways else ""
        shunt, gain = name(option).split(" × ")
        beyond = 100 * (option.range_a / demands.trip_a - 1)
        return (
            ("*" if option is self.choice.best else " ") + ("o" if option.candidate.present else ""),
            shunt,
            gain,
            f"{sign}{amount(rounded_down(option.range_a), 'A')}{range_missed}",
            per_cent(beyond),
            amount(option.code_a, "A"),
            amount(option.dissipation_w, "W") + heat_missed,
            percent(option.error_small, hidden=demands.small_a < option.low_a) + error_missed,
            percent(option.error_full),
        )

    def _notes(self) -> list[str]:
        demands = self.asked.demands
        signs = ["* best"] if self.choice.best is not None else []
        signs += ["o fitted now"] if any(o.candidate.present for o in self.shown) else []
        signs += ["! misses what is asked"] if any(changes(o, demands) for o in self.shown) else []
        notes = ["   ".join(signs)] if signs else []
        level = "trip level" if demands.trip_a > demands.peak_a else "peak"
        about = f"beyond: how far the range reaches past the {level}; errors: one reading, k = 2."
        if demands.share < 1:
            about += f" Heat: {100 * demands.share:.3g} % of the current's mean square is in the shunt."
        notes.append(about)
        notes += [_fitted(option, demands) for option in self.shown if option.candidate.present]
        notes += self._of_the_best()
        notes += _bandwidth(self.shown, demands)
        if self.points:
            notes += self._measured()
        if self.asked.assumed:
            given = ", ".join(f"--{option} {text}" for option, text in self.asked.assumed.items())
            notes.append(f"Not stated, so assumed: {given}.")
        if excluded := self.shown[0].chain.u_excludes:
            notes.append(f"Errors leave out what is not stated: {', '.join(excluded)}.")
        return notes

    def _of_the_best(self) -> list[str]:
        demands = self.asked.demands
        option = self.choice.best or self.choice.ways[0].option
        if math.isnan(option.error_small):
            return []
        said = (
            f"Of {name(option)}: with all errors at their limits, one way, {percent(option.worst_small)} at "
            f"{amount(demands.small_a, 'A')}; largest part there: {option.largest_error(demands.small_a)}; "
            f"{amount(option.peak_dissipation_w, 'W')} at the peak"
        )
        if option.self_heating is not None and math.isinf(option.self_heating):
            said += "; its own heat raises its resistance without end"
        elif option.self_heating is not None:
            said += f"; its own heat raises its resistance by {100 * option.self_heating:.3g} %"
        return [said + "."]

    def _measured(self) -> list[str]:
        mine = [option for option in self.shown if option.candidate.present]
        options = mine or [self.choice.best or self.choice.ways[0].option]
        count = len(self.points)
        return [
            f"Of {count} measured {'error' if count == 1 else 'errors'} {agreeing(option, self.points)} "
            f"{'agrees' if agreeing(option, self.points) == 1 else 'agree'} with the curve of {name(option)} "
            "(within both uncertainties)."
            for option in options
        ]


def _fitted(option: Option, demands: Demands) -> str:
    missed = failing(option, demands)
    return f"What is fitted, {name(option)}, {missed or 'does all that is asked'}."


def _demands(demands: Demands) -> dict[str, Any]:
    return {
        "current_A": demands.peak_a,
        "rms_A": demands.rms_a,
        "trip_A": demands.trip_a,
        "headroom_percent": 100 * demands.headroom,
        "range_A": demands.reach_a,
        "dissipation_W": demands.dissipation_w,
        "small_current_A": demands.small_a,
        "error_percent": 100 * demands.error,
        "share_percent": 100 * demands.share,
        "both_directions": demands.both_ways,
        "frequency_Hz": demands.frequency_hz,
    }


def _change(change: Change) -> dict[str, Any]:
    return {
        "demand": change.demand,
        "stated": change.stated,
        "needed": change.needed,
        "unit": change.unit,
        "factor": change.factor,
    }


def _bandwidth(options: Sequence[Option], demands: Demands) -> list[str]:
    """One sentence for each bandwidth; none where nothing is known."""
    if demands.frequency_hz is None:
        return []
    at = amount(demands.frequency_hz, "Hz")
    found: dict[float, tuple[Option, list[float]]] = {}
    for option in options:
        if option.candidate.bandwidth_hz is not None:
            _, gains = found.setdefault(option.candidate.bandwidth_hz, (option, []))
            if option.candidate.gain not in gains:
                gains.append(option.candidate.gain)
    if not found:
        return [f"Give --bandwidth to see what is lost at {at}."]
    said = []
    for bandwidth_hz, (option, gains) in found.items():
        part, degrees = size_and_angle(option.response or 1)
        of = f" (gain {', '.join(f'{g:g}' for g in gains)})" if len(found) > 1 else ""
        lost = (
            f"{100 * abs(part):.3g} %" if abs(part) > SMALLEST_SHOWN else f"under {100 * SMALLEST_SHOWN:g} %"
        )
        size, when = ("smaller" if part <= 0 else "larger"), ("late" if degrees <= 0 else "early")
        moved = f"{size} by {lost} and {when} by {abs(degrees):.3g}°"
        said.append(f"{amount(bandwidth_hz, 'Hz')}{of} makes phasors {moved}")
    return [f"At {at} a bandwidth of {'; one of '.join(said)}. livesense corrects phasors by it."]


def percent(part: float, *, hidden: bool = False) -> str:
    """Write an error; where nothing is read it says so."""
    if math.isnan(part):
        return "hidden" if hidden else "clips"
    return per_cent(100 * part)


def per_cent(value: float) -> str:
    """Write three digits, whole numbers from 100 on, and at most four digits at all."""
    if value > MOST_PERCENT:
        return f">{MOST_PERCENT} %"
    return (f"{value:.0f} %" if value >= 100 else f"{float(f'{value:.3g}'):g} %").replace("-", MINUS)


_TOGETHER = re.compile(r"(?<=\d) (?=[%AWHLV×mµnk°])|(?<=[k=×]) (?=[=\d])")
"""Spaces at which no line ends: between a number and its unit."""


def _wrapped(text: str) -> str:
    kept = _TOGETHER.sub("\xa0", text)
    filled = textwrap.fill(kept, WIDTH, break_long_words=False, break_on_hyphens=False)
    return filled.replace("\xa0", " ")

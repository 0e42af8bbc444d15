"""Which shunt and gain to take, and which demand to relax where none does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from livesense.bench.values import engineering, listed
from livesense.chain.sizing import ONE_STEP, Demands, Option, holds_from_a
from livesense.wording import counted

RANGE = ("headroom", "trip", "current")
"""Demands on the range: one of them gives way, or the current and the trip level together."""

FARTHEST_CURRENT = 2.0
"""Factor beyond which a smaller peak current is no advice, unless it is the only one."""

DIGITS = 3
"""Significant digits of a relaxed demand; it is rounded towards the easier side, so that it then fits."""


@dataclass(frozen=True, slots=True)
class Change:
    """A demand that an option misses, and what it would have to be for that option.

    ``demand`` is the name of the command's option that states it: "headroom", "trip", "current",
    "dissipation", "error", "small-current", or "reference" where a direction cannot be read at all.
    ``stated`` and ``needed`` are in ``unit`` (None with "reference"); ``factor`` is how many times easier.
    """

    demand: str
    stated: float | None
    needed: float | None
    unit: str
    factor: float


@dataclass(frozen=True, slots=True)
class Way:
    """Demands to relax together so that an option fits."""

    changes: tuple[Change, ...]
    option: Option


@dataclass(frozen=True, slots=True)
class Choice:
    """The best option and why, or the ways to one.

    ``ways`` is empty where something fits; the first asks least. ``fitting`` counts the options that fit.
    """

    best: Option | None
    reason: str
    fitting: int
    ways: tuple[Way, ...] = ()


def changes(option: Option, demands: Demands) -> tuple[Change, ...]:
    """List the demands that an option misses; empty where it fits."""
    return (*_range(option, demands), *_heat(option, demands), *_error(option, demands))


def _range(option: Option, demands: Demands) -> tuple[Change, ...]:
    reach, needed = option.range_a, demands.reach_a
    if reach * (1 + ONE_STEP) >= needed:
        return ()
    if reach == 0:
        return (Change("reference", None, None, "", math.inf),)
    factor = needed / reach
    if reach >= demands.trip_a:
        beyond = rounded_down(100 * (reach / demands.trip_a - 1))
        return (Change("headroom", 100 * demands.headroom, beyond, "%", factor),)
    level = rounded_down(reach / (1 + demands.headroom))
    if level >= demands.peak_a:
        return (Change("trip", demands.trip_a, level, "A", factor),)
    peak = Change("current", demands.peak_a, level, "A", factor)
    if demands.trip_a > demands.peak_a:
        return peak, Change("trip", demands.trip_a, level, "A", factor)
    return (peak,)


def _heat(option: Option, demands: Demands) -> tuple[Change, ...]:
    if option.dissipation_w <= demands.dissipation_w * (1 + ONE_STEP):
        return ()
    factor = option.dissipation_w / demands.dissipation_w
    return (Change("dissipation", demands.dissipation_w, rounded_up(option.dissipation_w), "W", factor),)


def _error(option: Option, demands: Demands) -> tuple[Change, ...]:
    if math.isnan(option.error_small):
        return _hidden(option, demands)
    if option.error_small <= demands.error * (1 + ONE_STEP):
        return ()
    factor = option.error_small / demands.error
    return (Change("error", 100 * demands.error, rounded_up(100 * option.error_small), "%", factor),)


def _hidden(option: Option, demands: Demands) -> tuple[Change, ...]:
    """List what is missed where the small current is not read at all.

    Below the range, because the output does not come down to ground; beyond it, the range says it.
    """
    if demands.small_a > option.high_a or option.range_a == 0:
        return ()
    needed = holds_from_a(option, demands.error)
    small_a = rounded_up(option.low_a if needed is None else needed)
    small = Change("small-current", demands.small_a, small_a, "A", small_a / demands.small_a)
    if needed is not None:
        return (small,)
    error = float(option.error_at(small_a))
    return small, Change("error", 100 * demands.error, rounded_up(100 * error), "%", error / demands.error)


def choose(options: Sequence[Option], demands: Demands) -> Choice:
    """Take the option with the smallest error at the small current of those that fit.

    Of options alike in that, the one with less heat. Where none fits, tell which demand to relax: each by
    itself where that helps, the one with the smallest factor first and the peak current last, else the
    option whose worst miss is smallest, with all that it misses.

    Raises
    ------
    ValueError
        when there are no options.
    """
    if not options:
        raise ValueError("expected at least one option, got none")
    missed = {id(option): changes(option, demands) for option in options}
    fitting = [option for option in options if not missed[id(option)]]
    if fitting:
        best = min(fitting, key=lambda o: (o.error_small, o.dissipation_w, o.candidate.gain))
        larger = _next_larger(best, options)
        why = _why(best, len(fitting), len(options), demands)
        if larger is not None and missed[id(larger)]:
            why += f"; {name(larger)} {failing(larger, demands)}"
        return Choice(best, why + ".", len(fitting))
    ways = _ways(options, missed)
    return Choice(None, _nothing(ways, len(options), demands), 0, ways)


def _ways(options: Sequence[Option], missed: dict[int, tuple[Change, ...]]) -> tuple[Way, ...]:
    """List one way for each demand that would do by itself; else the one with the smallest worst miss."""
    ranked = sorted(options, key=lambda o: (*_cost(missed[id(o)]), o.dissipation_w))
    single: dict[str, Way] = {}
    for option in ranked:
        found = missed[id(option)]
        if len(_kinds(found)) == 1:
            single.setdefault(found[0].demand, Way(found, option))
    far = [demand for demand, way in single.items() if _cost(way.changes) > (True, FARTHEST_CURRENT)]
    for demand in far[: len(single) - 1]:
        del single[demand]
    return tuple(single.values()) or (Way(missed[id(ranked[0])], ranked[0]),)


def _cost(found: Sequence[Change]) -> tuple[bool, float]:
    """Rank what is missed. The current itself comes last: a motor draws what it draws."""
    return any(change.demand == "current" for change in found), max(change.factor for change in found)


def _kinds(found: Sequence[Change]) -> set[str]:
    return {"range" if change.demand in RANGE else change.demand for change in found}


def name(option: Option) -> str:
    """Write a candidate: ``5 mΩ × 20``."""
    return f"{ohms(option.candidate.shunt_ohm)} × {option.candidate.gain:g}"


def ohms(value: float) -> str:
    """Write a shunt's resistance in the unit the trade uses: mΩ below 1 Ω."""
    return f"{value:g} Ω" if value >= 1 else f"{1000 * value:.6g} mΩ"


def _why(best: Option, fitting: int, count: int, demands: Demands) -> str:
    if count == 1:
        of_these = "it fits, with"
    elif fitting == 1:
        of_these = f"the only one of {count} candidates that fits, with"
    else:
        of_these = f"of the {fitting} of {count} candidates that fit, it has the smallest error"
    error, small, allowed = _percent(best.error_small), _amps(demands.small_a), _percent(demands.error)
    at = f"at {small}, {error} where {allowed} is allowed"
    if count == 1 or fitting == 1:
        at = f"an error of {error} at {small}, where {allowed} is allowed"
    return (
        f"{name(best)}: {of_these} {at}; it reads {span(best)}, "
        f"{100 * (best.range_a / demands.trip_a - 1):.0f} % beyond {_level(demands)}, and turns "
        f"{amount(best.dissipation_w, 'W')} into heat, where {amount(demands.dissipation_w, 'W')} is allowed"
    )


def _next_larger(best: Option, options: Sequence[Option]) -> Option | None:
    """Return the same gain with the next larger shunt, which would err less."""
    larger = [
        o
        for o in options
        if o.candidate.gain == best.candidate.gain and o.candidate.shunt_ohm > best.candidate.shunt_ohm
    ]
    return min(larger, key=lambda o: o.candidate.shunt_ohm, default=None)


def failing(option: Option, demands: Demands) -> str:
    """Say what an option misses, after its name; empty where it fits."""
    said = []
    for change in changes(option, demands):
        match change.demand:
            case "dissipation":
                said.append(f"would make {amount(option.dissipation_w, 'W')} of heat")
            case "error":
                said.append(f"would err by {_percent(option.error_small)} at {_amps(demands.small_a)}")
            case "small-current":
                said.append(f"would read nothing below {_amps(option.low_a)}")
            case _:
                said.append(f"would read only {span(option)}")
    return " and ".join(dict.fromkeys(said))


def _nothing(ways: Sequence[Way], count: int, demands: Demands) -> str:
    first = ways[0]
    said = f"None of {counted(count, 'candidate')} fits" if count > 1 else "The candidate does not fit"
    if first.changes[0].demand == "reference":
        return f"{said}: {_UNREAD_BOTH if demands.both_ways else _UNREAD_ONE}."
    together = " together" if len(_kinds(first.changes)) > 1 else ""
    said += f". Least to relax{together}: {_asked(first, demands)}; then {name(first.option)} fits"
    if first.changes[0].demand == "error":
        largest = first.option.largest_error(demands.small_a)
        said += f" (most of its error there: {largest}{_from(first, demands)})"
    others = [f"{_asked(way, demands)}, for {name(way.option)}" for way in ways[1:]]
    return said + (f". Or {listed(others)}." if others else ".")


_UNREAD_BOTH = (
    "with this zero no current is read in both directions, and a phase current flows in both; take a zero at "
    "mid-supply (--reference mid-supply) or at an outside voltage"
)
_UNREAD_ONE = (
    "with this zero a current out of the supply is not read; take a zero at ground or mid-supply "
    "(--reference ground), or exchange the amplifier's inputs (plus_input in the bench file)"
)


def _from(way: Way, demands: Demands) -> str:
    from_a = holds_from_a(way.option, demands.error)
    return (
        "" if from_a is None else f"; it keeps {_percent(demands.error)} from {_amps(rounded_up(from_a))} up"
    )


def _asked(way: Way, demands: Demands) -> str:
    return " and ".join(_changed(change, demands) for change in way.changes)


def _changed(change: Change, demands: Demands) -> str:
    what = {
        "headroom": f"the headroom beyond {_level(demands)}",
        "trip": "the trip level",
        "current": "the peak current",
        "dissipation": "the dissipation",
        "error": f"the error at {_amps(demands.small_a)}",
        "small-current": "the small current",
    }[change.demand]
    if change.unit == "%":
        return f"{what}, {change.needed:g} % instead of {change.stated:.4g} %"
    needed, stated = amount(change.needed or 0.0, change.unit), amount(change.stated or 0.0, change.unit, 4)
    return f"{what}, {needed} instead of {stated}"


def span(option: Option) -> str:
    """Write what is read: ``±16 A``, or ``0.5 A to 33 A`` where one direction is asked for."""
    if option.both_ways:
        return f"±{_amps(rounded_down(option.range_a))}"
    return f"{_amps(rounded_up(max(option.low_a, 0.0)))} to {_amps(rounded_down(option.range_a))}"


def _level(demands: Demands) -> str:
    what = "the trip level" if demands.trip_a > demands.peak_a else "the peak"
    return f"{what} of {_amps(demands.trip_a)}"


def _amps(value: float) -> str:
    return amount(value, "A")


def amount(value: float, unit: str, digits: int = 3) -> str:
    """Write a value with a prefix and three digits: ``8.06 mA``."""
    return engineering(float(f"{value:.{digits}g}"), unit)


def _percent(value: float) -> str:
    return f"{100 * value:.3g} %"


def rounded_up(value: float) -> float:
    """Round to three digits, not below."""
    return _rounded(value, ROUND_CEILING)


def rounded_down(value: float) -> float:
    """Round to three digits, not above."""
    return _rounded(value, ROUND_FLOOR)


def _rounded(value: float, way: str) -> float:
    # By decimals, so that 5.5 is not 5.49; twelve digits drop what is left of binary fractions.
    exact = Decimal(f"{value:.12g}")
    if not exact:
        return 0.0
    return float(exact.quantize(Decimal(1).scaleb(exact.adjusted() - DIGITS + 1), way))


def worth_showing(options: Sequence[Option], demands: Demands) -> list[Option]:
    """Thin out a long list: for each gain the largest shunt that fits range and heat, and its neighbours.

    Those that are fitted already stay, and so does what :func:`choose` names. The order stays.
    """
    chosen = choose(options, demands)
    kept = {id(way.option) for way in chosen.ways} | {id(chosen.best)}
    kept |= {id(option) for option in options if option.candidate.present}
    for gain in sorted({option.candidate.gain for option in options}):
        same = [option for option in options if option.candidate.gain == gain]
        bearable = [n for n, o in enumerate(same) if not _range(o, demands) and not _heat(o, demands)]
        middle = bearable[-1] if bearable else 0
        kept |= {id(option) for option in same[max(0, middle - 1) : middle + 2]}
    return [option for option in options if id(option) in kept]

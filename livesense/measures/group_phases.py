"""Which channels stand for U, V and W, and what the three say together."""

from __future__ import annotations

import dataclasses
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping

import numpy as np

from livesense.measures.basic import batch_u
from livesense.measures.channel_figures import ChannelInput, Line, lasting_rounding
from livesense.measures.near_zero import u_of_root
from livesense.measures.sine_fit import NoLine
from livesense.measures.three_phase import PHASES, ThreePhase, three_phase
from livesense.samples import Estimate

PLACES = ("in-line", "low-side", "high-side")
"""In the order in which they are preferred."""


def by_place(channels: Mapping[str, ChannelInput], quantity: str = "current") -> dict[str, dict[str, str]]:
    """Names of the channels of each place and phase; the first of several."""
    places: dict[str, dict[str, str]] = {}
    for name, channel in channels.items():
        if channel.quantity == quantity and channel.phase in PHASES:
            places.setdefault(channel.place, {}).setdefault(str(channel.phase), name)
    return places


def preferred(channels: Mapping[str, ChannelInput], quantity: str = "current") -> dict[str, str]:
    """One channel for each phase that has any, in-line before low side before high side.

    Phases of different circuits are never joined: those of the first circuit with all three currents, and
    the voltages of the same circuit, or of the only one that has all three.
    """
    found = _circuits(by_place(channels, quantity))
    currents = found if quantity == "current" else _circuits(by_place(channels))
    whole = [circuit for circuit, names in currents.items() if len(names) == 3]
    leading = whole[0] if whole else next(iter(currents), None)
    if leading in found:
        return found[leading]
    others = [names for names in found.values() if len(names) == 3]
    return others[0] if len(others) == 1 else found.get("", {})


def _circuits(places: Mapping[str, Mapping[str, str]]) -> dict[str, dict[str, str]]:
    """Join the places of the circuit that has no name; others are circuits of their own."""
    ordered = [p for p in PLACES if p in places] + [p for p in places if p not in PLACES]
    found: dict[str, dict[str, str]] = {}
    for place in ordered:
        names = found.setdefault("" if place in PLACES else place, {})
        for phase, name in places[place].items():
            names.setdefault(phase, name)
    return found


def phase_sets(
    channels: Mapping[str, ChannelInput], line: Line | NoLine | None
) -> tuple[ThreePhase | None, dict[str, ThreePhase]]:
    """Three-phase figures of the preferred channels, and of each place where a phase has several."""
    main = preferred(channels)
    if len(main) < 3:
        return None, {}
    places = by_place(channels)
    sets = {place: names for place, names in places.items() if len(names) == 3} if len(places) > 1 else {}
    return _set(channels, main, line), {place: _set(channels, names, line) for place, names in sets.items()}


def _set(
    channels: Mapping[str, ChannelInput], names: Mapping[str, str], line: Line | NoLine | None
) -> ThreePhase:
    chosen = {phase: channels[names[phase]] for phase in PHASES}
    clipped = [names[p] for p in PHASES if chosen[p].too_clipped is not None]
    if clipped:
        return _nothing(f"{', '.join(clipped)}: clipped", f"{', '.join(clipped)}: clipped")
    made = [names[p] for p in PHASES if chosen[p].computed]
    no_residual = f"{made[0]} is computed from the others: the sum is zero by construction" if made else None
    if not isinstance(line, Line):
        reason = "there is no shared line" if line is None else line.reason
        residual = _residual_of_values(chosen)
        return _nothing(reason, no_residual, None if no_residual else residual)
    result = three_phase({p: line.fundamental(names[p], chosen[p]) for p in PHASES}, chosen["U"].unit)
    if no_residual is not None:
        return dataclasses.replace(result, withheld=result.withheld | {"residual_rms": no_residual})
    return dataclasses.replace(result, residual_rms=_residual(chosen, names, line))


def _nothing(reason: str, no_residual: str | None, residual: Estimate | None = None) -> ThreePhase:
    keys = (
        "sequence",
        "positive_rms",
        "negative_rms",
        "zero_rms",
        "unbalance_percent",
        "max_deviation_percent",
    )
    withheld = dict.fromkeys(keys, reason) | {f"angles_deg.{p}": reason for p in PHASES}
    if no_residual is not None:
        withheld["residual_rms"] = no_residual
    none = ThreePhase(None, dict.fromkeys(PHASES), None, None, None, None)
    return dataclasses.replace(none, residual_rms=residual, withheld=withheld)


def _residual(chosen: Mapping[str, ChannelInput], names: Mapping[str, str], line: Line) -> Estimate:
    """Rms of the sum of three: mean, harmonics (brought to one instant) and what the fit leaves."""
    fit = line.fit
    columns = [line.columns[names[p]] for p in PHASES]
    phasors = np.array([line.phasors(names[p], chosen[p]) for p in PHASES])
    mean = float(np.sum(fit.mean[columns]))
    harmonics = np.abs(phasors.sum(axis=0))
    left = fit.residual[:, columns].sum(axis=1)
    rounded = sum(lasting_rounding(c) ** 2 for c in chosen.values())
    u_mean = math.sqrt(float(np.sum(fit.u_mean[columns] ** 2)) + rounded)
    repeated = sum(line.rounding(names[p], chosen[p]) ** 2 for p in PHASES)
    u_component = np.sqrt(np.sum(fit.u_quadrature[columns] ** 2, axis=0) / 2 + repeated)
    firsts = [line.fundamental(names[p], chosen[p]) for p in PHASES]
    own = np.array([first.u_scale for first in firsts])
    s_component = np.sum((np.abs(phasors) * own[:, None]) ** 2, axis=0) / 2
    s_component[0] += sum(first.u_across**2 for first in firsts) / 2
    s_component = np.sqrt(s_component)
    s_mean = math.hypot(float(np.linalg.norm(fit.mean[columns] * own)), offset_of_sum(chosen.values()))
    square = mean**2 + float(np.sum(harmonics**2)) + float(np.mean(left**2))
    u_left = batch_u(left**2)

    def spread(u0: float, uh: np.ndarray) -> float:
        parts = 4 * mean**2 * u0**2 + 2 * u0**4 + float(np.sum(4 * harmonics**2 * uh**2 + 4 * uh**4))
        return math.sqrt(parts + u_left**2)

    random = u_of_root(square, spread(u_mean, u_component))
    whole = u_of_root(square, spread(math.hypot(u_mean, s_mean), np.hypot(u_component, s_component)))
    common = max(c.u_common for c in chosen.values()) * math.sqrt(square)
    systematic = math.sqrt(max(whole**2 - random**2, 0.0) + common**2)
    return Estimate(math.sqrt(square), random, systematic, chosen["U"].unit)


def _residual_of_values(chosen: Mapping[str, ChannelInput]) -> Estimate:
    """Do the same without a line, from the values as they are."""
    total = np.sum([c.values for c in chosen.values()], axis=0)
    square = float(np.mean(total**2))
    rms = [math.sqrt(float(np.mean(c.values**2))) for c in chosen.values()]
    scale = math.sqrt(sum((r * c.u_scale) ** 2 for r, c in zip(rms, chosen.values(), strict=True)))
    s = math.hypot(scale, offset_of_sum(chosen.values()))
    rounded = math.sqrt(sum(lasting_rounding(c) ** 2 for c in chosen.values()))
    u_square = math.hypot(batch_u(total**2), 2 * math.sqrt(square) * rounded, math.sqrt(2) * rounded**2)
    random = u_of_root(square, u_square)
    whole = u_of_root(square, math.sqrt(u_square**2 + 4 * square * s**2 + 2 * s**4))
    return Estimate(math.sqrt(square), random, math.sqrt(max(whole**2 - random**2, 0.0)), chosen["U"].unit)


def offset_of_sum(channels: Iterable[ChannelInput]) -> float:
    """Uncertainty of the sum of several channels' zeros.

    Errors of each channel's own add as squares; one that several share is the same in all of them and
    adds as it is (JCGM 100:2008, 5.2.2).
    """
    own = 0.0
    shared: dict[str, float] = defaultdict(float)
    for channel in channels:
        own += channel.u_offset**2 - sum(amount**2 for amount in channel.shared_offsets.values())
        for name, amount in channel.shared_offsets.items():
            shared[name] += amount
    return math.sqrt(max(own, 0.0) + sum(amount**2 for amount in shared.values()))

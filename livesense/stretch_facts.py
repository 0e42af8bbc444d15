"""Stretches of a run with the figures that matter for each: what `stretches` tells."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.chain import ChannelChain
from livesense.chain.no_current import still_below
from livesense.errors import UsageError
from livesense.machine_facts import torque_constant
from livesense.measures.power import u_product
from livesense.measures.rotation import STEP_S, Rotation, rotation
from livesense.measures.stretches import Stretch, believed, find_stretches
from livesense.measures.three_phase import PHASES
from livesense.reach import largest
from livesense.samples import FloatArray
from livesense.states_seen import states_seen
from livesense.stretch_words import fault_of, marks, sharpened
from livesense.timetext import run_seconds

CHUNK_S = 30.0
"""So much is converted at once."""

BRIDGE_S = 0.1
"""Counted gaps up to this long are bridged: what a machine does goes on in the meantime."""

EDGE_S = 1.0
EDGE_SHARE = 1 / 6
"""So much, or this share of it, is left out where a change is beside: a speed control settles for long."""

LEAST_EDGE_S = 0.1
"""So much is left out at the ends of a steady part in any case: a step may hold the change itself."""

OF_LARGEST = 0.005
"""Share of a run's largest current that counts as none, where neither range nor rated current is known."""

SAME_LOAD = 0.05
WITHIN = 0.02
"""A start is over when the speed stays within this of what follows."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One whole piece of a run: its steps, and what was found in them."""

    steps: Rotation
    found: list[Stretch]

    def from_s(self, stretch: Stretch) -> float:
        """Begin of a stretch."""
        return float(self.steps.time_s[stretch.first]) - self.steps.step_s / 2

    def to_s(self, stretch: Stretch) -> float:
        """End of a stretch."""
        return float(self.steps.time_s[stretch.stop - 1]) + self.steps.step_s / 2


def stretches_of(
    analysis: RunAnalysis, from_s: float | None = None, to_s: float | None = None
) -> dict[str, Any]:
    """Find the stretches of a run; the keys are those of docs/scripting.md.

    Raises
    ------
    UsageError
        when the bench has no current for each of the phases.
    """
    channels = phase_channels(analysis)
    still_a = no_current_below(analysis, channels)
    rows: list[dict[str, Any]] = []
    for piece in pieces(analysis, channels, from_s, to_s, still_a):
        rows += [_facts(analysis, channels, piece, number) for number in range(len(piece.found))]
    return {
        "run": analysis.run.row.number,
        "channels": [channel.name for channel in channels],
        "no_current_below": {"value": still_a, "u": 0.0, "unit": channels[0].unit},
        "step_s": STEP_S,
        "stretches": rows,
        "marks": marks(rows),
    }


def phase_channels(analysis: RunAnalysis) -> list[ChannelChain]:
    """Take one current of each phase, measured before computed, all of one group."""
    chosen: list[ChannelChain] = []
    for phase in PHASES:
        having = [c for c in analysis.channels if c.phase == phase and c.quantity == "current"]
        having.sort(key=lambda c: c.computed)
        if not having:
            raise UsageError(
                "stretches are told by the currents of all three phases: "
                f"none of the bench's channels has phase {phase}"
            )
        chosen.append(having[0])
    if len({c.group for c in chosen}) > 1:
        raise UsageError(
            "stretches are told by currents that are sampled together: these are in several groups"
        )
    return chosen


def no_current_below(analysis: RunAnalysis, channels: Sequence[ChannelChain]) -> float:
    """Length of the current vector (A, peak) that counts as no current in a run."""
    known = still_below(channels)
    if known:
        return known
    # Floats of a range that nobody states: the run itself tells how large its currents are.
    return OF_LARGEST * largest(analysis, channels)


def pieces(
    analysis: RunAnalysis,
    channels: Sequence[ChannelChain],
    from_s: float | None,
    to_s: float | None,
    still_a: float,
) -> Iterator[Piece]:
    """Yield each whole piece of a run with its stretches; ``still_a`` is of :func:`no_current_below`."""
    for steps in _steps(analysis, channels, from_s, to_s):
        soft = believed(steps, still_a)
        yield Piece(soft, find_stretches(soft, still_a))


def _steps(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], from_s: float | None, to_s: float | None
) -> Iterator[Rotation]:
    """Yield the steps of each whole piece of a run, made chunk by chunk."""
    group = channels[0].group
    first, stop = analysis.scans_between(group, from_s, to_s)
    most = BRIDGE_S * analysis.rate_at(group, first)
    for begin, end in analysis.joined_stretches(group, first, stop, most):
        rate_hz = analysis.rate_at(group, begin)
        step = max(1, round(STEP_S * rate_hz))
        chunk = max(1, round(CHUNK_S * rate_hz / step)) * step
        parts = [
            part
            for at in range(begin, end, chunk)
            if (part := _rotation(analysis, channels, at, min(end, at + chunk), rate_hz)) is not None
        ]
        if parts:
            yield Rotation(
                np.concatenate([part.time_s for part in parts]),
                np.concatenate([part.length for part in parts]),
                np.concatenate([part.turned for part in parts]),
                np.concatenate([part.early for part in parts]),
                np.concatenate([part.late for part in parts]),
                parts[0].step_s,
            )


def _rotation(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], begin: int, end: int, rate_hz: float
) -> Rotation | None:
    group = channels[0].group
    values = np.full((end - begin, len(channels)), np.nan)
    for at, codes in analysis.run.codes(group, begin, end):
        part = np.stack([analysis.chain.value(c.name, codes) for c in channels], axis=1)
        values[at - begin : at - begin + len(part)] = part
    start_s = float(analysis.run.time_axis(group).time_s(np.array([begin]))[0])
    if len(values) < round(STEP_S * rate_hz):
        return None
    return rotation(values, rate_hz, start_s)


def _facts(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], piece: Piece, number: int
) -> dict[str, Any]:
    stretch = piece.found[number]
    from_s, to_s = piece.from_s(stretch), piece.to_s(stretch)
    states = states_seen(analysis, from_s, to_s)
    kind = sharpened(stretch.kind, states)
    turning = kind not in ("standstill", "align", "held")
    facts: dict[str, Any] = {
        "kind": kind,
        "from_s": run_seconds(from_s),
        "to_s": run_seconds(to_s),
        "seconds": run_seconds(to_s - from_s),
        "frequency_hz": abs(stretch.frequency_hz) if turning else 0.0,
        "sequence": _sequence(stretch) if turning else None,
        "current_peak": {"value": stretch.length, "u": _u_current(channels, stretch.length), "unit": "A"},
        "let_go": stretch.let_go,
    }
    if stretch.kind != "standstill":
        facts["highest"] = _highest(analysis, channels, from_s, to_s)
    if stretch.kind not in ("standstill", "steady"):
        torque = _torque_at_most(analysis, facts["current_peak"])
        facts |= {} if torque is None else {"torque_at_most": torque}
    if stretch.kind in ("start", "braking", "speed change"):
        facts["acceleration_hz_per_s"] = _steepest(piece.steps, stretch)
    if (energy := _energy(analysis, from_s, to_s)) is not None:
        facts |= energy
    if states is not None:
        facts["states"] = states
        facts["fault"] = fault_of(states)
    match kind:
        case "start":
            facts |= _of_a_start(piece, number)
        case "steady":
            facts |= _of_a_steady_part(analysis, piece, stretch, from_s, to_s)
        case "load change" | "speed change":
            facts |= _of_a_change(piece, number)
        case "braking":
            facts |= _of_a_stop(piece, number)
    facts["text"] = _text(facts)
    return facts


ACCELERATES_S = 0.2
"""Over so long a straight line is drawn through the speed."""


def _steepest(steps: Rotation, stretch: Stretch) -> float | None:
    """Steepest change of the electrical speed over 0.2 s, Hz/s; positive where it turns faster."""
    speed = np.abs(_median3(steps.frequency_hz[stretch.first : stretch.stop]))
    count = max(3, round(ACCELERATES_S / steps.step_s))
    if speed.size < count:
        return None
    at = (np.arange(count) - 0.5 * (count - 1)) * steps.step_s
    slopes = np.lib.stride_tricks.sliding_window_view(speed, count) @ at / float(at @ at)
    return float(slopes[int(np.abs(slopes).argmax())])


def _torque_at_most(analysis: RunAnalysis, current: dict[str, Any]) -> dict[str, Any] | None:
    """Torque if all current lay across the magnets: while a drive holds it otherwise, torque is less."""
    motor = analysis.bench.motor
    constant = torque_constant(motor)
    if motor is None or constant is None:
        return None
    limit = motor.constant_tolerance
    relative = 0.0 if limit is None else limit.value / (limit.k or math.sqrt(3))
    value = constant * current["value"]
    return {"value": value, "u": math.hypot(constant * current["u"], value * relative), "unit": "N·m"}


def _u_current(channels: Sequence[ChannelChain], value: float) -> float:
    return max(float(c.u_systematic(value)) for c in channels)


def _highest(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], from_s: float, to_s: float
) -> dict[str, Any]:
    """Largest magnitude of any phase, with its sign; peaks between samples are not seen."""
    best, name = 0.0, channels[0].name
    for channel in channels:
        band = analysis.envelope(channel.name, from_s, to_s, 1)
        if not band.low.size:
            continue
        for value in (float(band.low.min()), float(band.high.max())):
            if abs(value) > abs(best):
                best, name = value, channel.name
    channel = analysis.chain.channels[name]
    u = math.hypot(float(channel.u_systematic(best)), channel.u_quantisation)
    return {"value": best, "u": u, "unit": channel.unit, "channel": name}


def _energy(analysis: RunAnalysis, from_s: float, to_s: float) -> dict[str, Any] | None:
    """Energy from the bus and back into it, Ws; None where the bus's power is not known."""
    bus = {c.quantity: c for c in reversed(analysis.channels) if c.phase == "bus"}
    v, i = bus.get("voltage"), bus.get("current")
    chopped = {c.name for c in analysis.bench.channels if c.sampled_at in ("low-on", "high-on")}
    if v is None or i is None or v.group != i.group or i.name in chopped:
        return None
    taken = back = seconds = mean_v = mean_i = 0.0
    for begin_s in np.arange(from_s, to_s, CHUNK_S):
        for window in analysis.window(float(begin_s), min(to_s, float(begin_s) + CHUNK_S), [v.name, i.name]):
            volts, amperes = window.values[v.name], window.values[i.name]
            # Over a step, as long as the bus takes to tell which way power goes: ripple is no braking.
            power = _step_means(volts * amperes, window.rate_hz)
            length_s = len(volts) / window.rate_hz
            taken += float(power.mean()) * length_s
            back += float(np.minimum(power, 0.0).mean()) * length_s
            mean_v += float(volts.mean()) * length_s
            mean_i += float(amperes.mean()) * length_s
            seconds += length_s
    if not seconds:
        return None
    u = seconds * u_product(
        taken / seconds, mean_v / seconds, mean_i / seconds,
        (v.u_scale, i.u_scale), (v.u_offset, i.u_offset), (v.u_common, i.u_common),
    )  # fmt: skip
    unsure = v.u_excludes or i.u_excludes
    return {
        "energy": {"value": taken, "u": u, "unit": "Ws"},
        "returned": {"value": -back, "u": u, "unit": "Ws"},
        "energy_excludes": sorted({*v.u_excludes, *i.u_excludes}) if unsure else [],
    }


def _step_means(power: FloatArray, rate_hz: float) -> FloatArray:
    count = max(1, round(STEP_S * rate_hz))
    whole = power[: power.size // count * count]
    return whole.reshape(-1, count).mean(axis=1) if whole.size else power


def _next_steady(piece: Piece, number: int) -> Stretch | None:
    following = piece.found[number + 1] if number + 1 < len(piece.found) else None
    return following if following is not None and following.kind == "steady" else None


def _of_a_start(piece: Piece, number: int) -> dict[str, Any]:
    """Time to speed and overshoot, against the steady part that follows; None where none does."""
    stretch, steady = piece.found[number], _next_steady(piece, number)
    keys = ("time_to_speed_s", "overshoot_percent", "settled_after_s")
    if steady is None:
        return dict.fromkeys(keys)
    steps = piece.steps
    speed = np.abs(steps.frequency_hz[stretch.first : steady.stop])
    final = abs(steady.frequency_hz)
    # One odd step, where the current comes, is no speed yet.
    reached = np.flatnonzero(_median3(speed) >= (1 - WITHIN) * final) + 1
    off = np.flatnonzero(np.abs(speed[: stretch.stop - stretch.first + 5] / final - 1) > WITHIN)
    return {
        "time_to_speed_s": run_seconds(float((reached[0] + 0.5) * steps.step_s)) if reached.size else None,
        "overshoot_percent": max(0.0, 100 * (float(_median3(speed).max()) / final - 1)),
        "settled_after_s": run_seconds(float((off[-1] + 1) * steps.step_s)) if off.size else 0.0,
    }


def _median3(values: FloatArray) -> FloatArray:
    """Median of three neighbours: one odd step is no overshoot."""
    if values.size < 3:
        return values
    return np.median(np.lib.stride_tricks.sliding_window_view(values, 3), axis=1)


def _of_a_steady_part(
    analysis: RunAnalysis, piece: Piece, stretch: Stretch, from_s: float, to_s: float
) -> dict[str, Any]:
    """Measures, and how far speed and current drift from the first third to the last."""
    third = max(1, (stretch.stop - stretch.first) // 3)
    early = slice(stretch.first, stretch.first + third)
    late = slice(stretch.stop - third, stretch.stop)
    steps = piece.steps
    measured = analysis.measure(*settled(piece, stretch, from_s, to_s))
    return {
        "drift_hz": float(
            np.mean(np.abs(steps.frequency_hz[late])) - np.mean(np.abs(steps.frequency_hz[early]))
        ),
        "drift_a": float(np.mean(steps.length[late]) - np.mean(steps.length[early])),
        "measures": measured,
    }


def settled(piece: Piece, stretch: Stretch, from_s: float, to_s: float) -> tuple[float, float]:
    """Give what of a steady part is measured: without its ends, where a change is beside them."""
    least = min(LEAST_EDGE_S, (to_s - from_s) / 10)
    edge = min(EDGE_S, (to_s - from_s) * EDGE_SHARE)
    # Where the piece itself begins or ends, nothing changed that is known of.
    return (
        from_s + (edge if stretch.first else least),
        to_s - (edge if stretch.stop < piece.steps.time_s.size else least),
    )


def _of_a_change(piece: Piece, number: int) -> dict[str, Any]:
    """Tell what it was before and after, and how far the speed went meanwhile."""
    stretch = piece.found[number]
    before, after = piece.found[number - 1], piece.found[number + 1]
    speed = _median3(np.abs(piece.steps.frequency_hz[stretch.first : stretch.stop]))
    return {
        "before": _side(before),
        "after": _side(after),
        # A machine that turns round has no order of its own meanwhile.
        "sequence": _sequence(before) if _sequence(before) == _sequence(after) else None,
        "lowest_hz": float(speed.min()),
        "highest_hz": float(speed.max()),
    }


def _side(steady: Stretch) -> dict[str, Any]:
    return {
        "frequency_hz": abs(steady.frequency_hz),
        "current_peak_a": steady.length,
        "sequence": _sequence(steady),
    }


def _sequence(stretch: Stretch) -> str:
    return "UVW" if stretch.frequency_hz > 0 else "UWV"


def _of_a_stop(piece: Piece, number: int) -> dict[str, Any]:
    """Tell from which speed it stopped, and how long it took until no current flowed."""
    stretch, steps = piece.found[number], piece.steps
    begin = abs(float(steps.frequency_hz[max(0, stretch.first - 1)]))
    at_rest = number + 1 < len(piece.found) and piece.found[number + 1].kind == "standstill"
    seconds = (stretch.stop - stretch.first) * steps.step_s
    return {"from_hz": begin, "stopped_after_s": run_seconds(seconds) if at_rest else None}


def _text(facts: dict[str, Any]) -> str:
    kind = facts["kind"]
    if kind == "standstill":
        return "no current: at rest, or it coasts" if facts["let_go"] else "no current"
    if kind == "align":
        return f"held in place with {facts['current_peak']['value']:.3g} A"
    if kind == "start":
        if facts["time_to_speed_s"] is None:
            return "starts, and comes to no steady speed"
        over = facts["overshoot_percent"]
        more = f", {over:.2g} % beyond it meanwhile" if over > 1 else ""
        return f"at speed after {facts['time_to_speed_s']:.2f} s{more}"
    if kind == "steady":
        return f"{facts['frequency_hz']:.4g} Hz, current vector {facts['current_peak']['value']:.3g} A"
    if kind in ("load change", "speed change"):
        a, b = facts["before"], facts["after"]
        if kind == "load change" and abs(a["current_peak_a"] / b["current_peak_a"] - 1) < SAME_LOAD:
            return f"up to {abs(facts['highest']['value']):.3g} A, then {b['current_peak_a']:.3g} A as before"
        if kind == "load change":
            return f"from {a['current_peak_a']:.3g} A to {b['current_peak_a']:.3g} A"
        ends = [f"{side['frequency_hz']:.4g} Hz" for side in (a, b)]
        if a["sequence"] != b["sequence"]:
            ends = [f"{end} {side['sequence']}" for end, side in zip(ends, (a, b), strict=True)]
            return f"turns round: from {ends[0]} to {ends[1]}"
        return f"from {ends[0]} to {ends[1]}"
    if kind == "held":
        return f"held fast with {facts['current_peak']['value']:.3g} A while the drive says that it runs"
    if kind == "braking":
        after = facts["stopped_after_s"]
        return "slows down under current" + (f", let go after {after:.2f} s" if after is not None else "")
    return "neither steady nor a start or a stop"

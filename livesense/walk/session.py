"""A whole walk: readings of its steps in, what is proven and what mends the rest out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livesense.bench import Bench
from livesense.calibrating import Reference, unfit
from livesense.chain import Chain, ChannelChain
from livesense.checks.evidence import Sensed
from livesense.checks.findings import Edit
from livesense.errors import UsageError
from livesense.measures.three_phase import PHASES
from livesense.samples import Estimate
from livesense.stillness import Average
from livesense.walk.judge import Answer, Verdict, judge, resistances
from livesense.walk.steps import Step


@dataclass(frozen=True, slots=True)
class Reading:
    """Averages of one step, or of the rest before them (``step`` None)."""

    step: Step | None
    averages: Mapping[str, Average]
    device: str
    temperatures: Mapping[str, float]

    @property
    def name(self) -> str:
        """Of the step, or ``rest``."""
        return "rest" if self.step is None else self.step.name


@dataclass(frozen=True, slots=True)
class Pushed:
    """What was pushed: the current, the meter that told it, and volts at the clamps by step."""

    amperes: float
    meter: Reference
    volts: Mapping[str, Estimate]

    @property
    def current(self) -> Estimate:
        """With its uncertainty, which is one and the same in all steps."""
        u = math.hypot(self.amperes * self.meter.u_relative, self.meter.u_absolute, self.meter.u_own)
        return Estimate(self.amperes, 0.0, u, "A")


@dataclass(frozen=True, slots=True)
class Walked:
    """What a walk came to. ``absolute`` tells whether the pushed current is better known than the chains."""

    verdicts: list[Verdict]
    answers: list[Answer]
    resistance: dict[str, Estimate]
    absolute: bool

    @property
    def proven(self) -> bool:
        """Whether every channel is proven."""
        return all(verdict.proven for verdict in self.verdicts)

    @property
    def edits(self) -> list[Edit]:
        """Changes of the bench file that mend what is wrong."""
        return [v.fix for v in self.verdicts if isinstance(v.fix, Edit)]


def walked_names(bench: Bench) -> tuple[list[str], dict[str, str]]:
    """Tell which channels a walk reaches, and why it does not reach the other phase currents.

    Raises
    ------
    UsageError
        when it reaches none.
    """
    names, left = [], {}
    for channel in bench.channels:
        if channel.phase not in PHASES or channel.quantity != "current":
            continue
        if channel.source:
            left[channel.name] = "computed from the others, whose walk is its own"
        elif channel.place != "in-line":
            where = channel.place.replace("-", " ")
            left[channel.name] = (
                f"its shunt at the {where} carries nothing while no switch conducts: push a current through "
                "it by itself, with `livesense calibrate`"
            )
        else:
            names.append(channel.name)
    if not names:
        raise UsageError(
            'expected phase currents in the motor\'s lines (place = "in-line"), got none: '
            + ("; ".join(f"{name}: {why}" for name, why in left.items()) or "no channel has a phase")
        )
    return names, left


def not_still(chain: Chain, reading: Reading) -> str | None:
    """Tell what moves in a step, so that it has to be read again; None where all stands still."""
    for name, found in reading.averages.items():
        channel = chain.channels[name]
        why = found.movement(channel) if reading.step is None else unfit(channel, found)
        if why is not None:
            return f"{name} {why}"
    return None


def walked(bench: Bench, chain: Chain, readings: Sequence[Reading], pushed: Pushed) -> Walked:
    """Judge a walk; the first reading is the one at rest."""
    rest, *steps = readings
    taken = [reading.step for reading in steps if reading.step is not None]
    answers = [_answer(bench, chain, name, rest, steps) for name in rest.averages]
    current = pushed.current
    verdicts = judge(answers, taken, current)
    relative = current.u / abs(current.value)
    return Walked(
        verdicts,
        answers,
        resistances(pushed.volts, taken, current),
        relative < u_of_mean([answer.channel for answer in answers]),
    )


def _answer(bench: Bench, chain: Chain, name: str, rest: Reading, steps: Sequence[Reading]) -> Answer:
    channel = chain.channels[name]
    per_code = channel.per_code or 0.0
    zero = rest.averages[name]
    value = [per_code * (reading.averages[name].code - zero.code) for reading in steps]
    u = [abs(per_code) * math.hypot(reading.averages[name].u_code, zero.u_code) for reading in steps]
    settings = next(c for c in bench.channels if c.name == name)
    return Answer(channel, Sensed(settings, channel, bench, chain.column(name)), np.array(value), np.array(u))


def u_of_mean(channels: Sequence[ChannelChain]) -> float:
    """Relative uncertainty of the mean of the chains' scales; infinite where tolerances are left out."""
    if any({"shunt_tolerance", "gain_error"} & set(c.u_excludes) for c in channels):
        return math.inf
    own = sum(c.u_scale**2 - c.u_common**2 for c in channels)
    return math.hypot(math.sqrt(max(own, 0.0)) / len(channels), max(c.u_common for c in channels))


def facts(
    chain: Chain, readings: Sequence[Reading], pushed: Pushed, result: Walked, left: Mapping[str, str]
) -> dict[str, Any]:
    """Write a walk for JSON."""
    return {
        "proven": result.proven,
        "current": pushed.current.as_json(),
        "steps": [
            {
                "step": reading.name,
                "readings": {
                    answer.channel.name: Estimate(
                        0.0 if reading.step is None else float(answer.value[number - 1]),
                        0.0 if reading.step is None else float(answer.u[number - 1]),
                        0.0,
                        answer.channel.unit,
                    ).as_json()
                    for answer in result.answers
                },
            }
            for number, reading in enumerate(readings)
        ],
        "channels": {v.channel: _verdict_facts(v) for v in result.verdicts},
        "not_walked": dict(left),
        "resistance": {name: r.as_json() for name, r in result.resistance.items()},
        "scale_from": "current" if result.absolute else "mean",
    }


def _verdict_facts(verdict: Verdict) -> dict[str, Any]:
    crosstalk = verdict.crosstalk
    return {
        "verdict": verdict.kind,
        "phase": verdict.phase,
        "direction": verdict.sign,
        "gain": None if verdict.gain is None else verdict.gain.as_json(),
        "relative_gain": None if verdict.relative is None else verdict.relative.as_json(),
        "crosstalk_percent": None
        if crosstalk is None
        else Estimate(100 * crosstalk.value, 100 * crosstalk.u_random, 0.0, "%").as_json(),
        "text": verdict.text,
        "fix": verdict.fix.line if isinstance(verdict.fix, Edit) else verdict.fix,
    }

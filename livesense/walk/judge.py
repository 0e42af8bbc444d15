"""What a walk's readings prove, and what they disprove."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livesense.chain import ChannelChain
from livesense.checks.evidence import Sensed
from livesense.checks.findings import Edit
from livesense.checks.fixes import rescaled, reverse
from livesense.samples import Estimate, FloatArray
from livesense.walk.steps import LEADS, Step
from livesense.wording import MINUS, fixed

SEEN = 5.0
"""A reading counts as current from so many times its random uncertainty."""

SEEN_SHARE = 0.05
"""And from this share of the current that was pushed: less is crosstalk, or a loose clamp."""

FITS = 0.15
"""Largest share of a channel's own current that a reading may miss its pattern by."""

CROSSTALK_SHARE = 0.005
"""A reading of this share where none flows is worth a word (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What one channel read in the steps, less what it read at rest.

    ``value`` is ``(steps,)`` in amperes by the bench file's chain, ``u`` the random uncertainty of each.
    """

    channel: ChannelChain
    sensed: Sensed
    value: FloatArray
    u: FloatArray


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the walk says of one channel.

    Attributes
    ----------
    kind
        ``proven``, or what is wrong: ``no-signal``, ``reversed``, ``swapped``, ``scale``, ``mixed``.
    phase, sign
        Lead and direction that its readings fit; None and 0 where they fit none.
    gain
        Reading per true current, with its random uncertainty and that of the current (systematic).
    relative
        Its gain against the mean of all channels that were walked, without the current's own error.
    crosstalk
        Largest reading where no current flows, as a share of the current; with its uncertainty.
    text, fix
        For people; the change of the bench file that mends it, or what else does.
    """

    channel: str
    kind: str
    phase: str | None
    sign: int
    gain: Estimate | None
    relative: Estimate | None
    crosstalk: Estimate | None
    text: str
    fix: Edit | str | None

    @property
    def proven(self) -> bool:
        """Whether mapping, direction and scale are proven."""
        return self.kind == "proven"


def judge(answers: Sequence[Answer], steps: Sequence[Step], current: Estimate) -> list[Verdict]:
    """Judge every channel by its pattern over the steps.

    Parameters
    ----------
    current
        What was pushed, in A, its uncertainty systematic: it is one and the same in all steps.
    """
    fits = [_fit(answer, steps, current) for answer in answers]
    relative = _relative(fits)
    return [
        _verdict(answer, fit, relative.get(number), steps, current)
        for number, (answer, fit) in enumerate(zip(answers, fits, strict=True))
    ]


@dataclass(frozen=True, slots=True)
class _Fit:
    """The pattern that fits best: phase, sign, gain with its random uncertainty, and the worst miss in A."""

    phase: str
    sign: int
    gain: float
    u_gain: float
    miss: float
    seen: bool


def _fit(answer: Answer, steps: Sequence[Step], current: Estimate) -> _Fit:
    found: list[_Fit] = []
    for phase in LEADS:
        for sign in (1, -1):
            pattern = sign * current.value * np.array([step.share(phase) for step in steps], dtype=float)
            squares = float(pattern @ pattern)
            gain = float(pattern @ answer.value) / squares
            u = math.sqrt(float(np.sum((pattern * answer.u) ** 2))) / squares
            miss = float(np.max(np.abs(answer.value - gain * pattern)))
            largest = float(np.max(np.abs(answer.value)))
            seen = largest > max(SEEN * float(np.max(answer.u)), SEEN_SHARE * abs(current.value))
            if gain > 0:
                found.append(_Fit(phase, sign, gain, u, miss, seen))
    if not found:
        return _Fit("", 0, 0.0, 0.0, 0.0, False)
    return min(found, key=lambda fit: fit.miss)


def _relative(fits: Sequence[_Fit]) -> dict[int, Estimate]:
    """Gains against their mean. One current flows through all, so that its error is not in them."""
    used = {n: fit for n, fit in enumerate(fits) if fit.seen and fit.miss <= FITS * fit.gain}
    if len(used) < 2:
        return {}
    mean = sum(fit.gain for fit in used.values()) / len(used)
    found = {}
    for number, fit in used.items():
        # d(g / mean): the own gain enters both.
        own = (1 - fit.gain / mean / len(used)) * fit.u_gain / mean
        others = [fit.gain / mean**2 / len(used) * f.u_gain for n, f in used.items() if n != number]
        found[number] = Estimate(fit.gain / mean, math.hypot(own, *others))
    return found


def _verdict(
    answer: Answer, fit: _Fit, relative: Estimate | None, steps: Sequence[Step], current: Estimate
) -> Verdict:
    chain = answer.channel
    readings = ", ".join(
        f"{step.name} {signed(value)} A" for step, value in zip(steps, answer.value, strict=True)
    )
    if not fit.seen:
        text = f"reads no current in any step ({readings}): is it connected, powered, and on this column?"
        return Verdict(chain.name, "no-signal", None, 0, None, None, None, text, None)
    amount = abs(current.value) * fit.gain
    if fit.miss > FITS * amount:
        text = (
            f"fits no lead ({readings}): it mixes two phases, or the clamps were not where the steps say; "
            "walk again, one step at a time"
        )
        return Verdict(chain.name, "mixed", None, 0, None, None, None, text, None)
    # Rest and step have each the converter's own error at their code.
    bow = math.sqrt(2) * chain.u_bow / abs(current.value)
    gain = Estimate(fit.gain, fit.u_gain, math.hypot(fit.gain * current.u / abs(current.value), bow))
    crosstalk = _crosstalk(answer, fit, steps, current)
    kind, text, fix = _said(answer, fit, gain, crosstalk, readings)
    return Verdict(chain.name, kind, fit.phase, fit.sign, gain, relative, crosstalk, text, fix)


def _crosstalk(answer: Answer, fit: _Fit, steps: Sequence[Step], current: Estimate) -> Estimate | None:
    idle = [n for n, step in enumerate(steps) if step.share(fit.phase) == 0]
    if not idle:
        return None
    worst = max(idle, key=lambda n: abs(answer.value[n]))
    size = abs(current.value)
    return Estimate(float(answer.value[worst]) / size, float(answer.u[worst]) / size)


def _said(
    answer: Answer, fit: _Fit, gain: Estimate, crosstalk: Estimate | None, readings: str
) -> tuple[str, str, Edit | str | None]:
    chain = answer.channel
    if fit.phase != chain.phase:
        also = " and counts the other way" if fit.sign < 0 else ""
        text = f"sits at lead {fit.phase}, not at {chain.phase}{also} ({readings})"
        return "swapped", text, Edit("channel", "phase", fit.phase, chain.name)
    if fit.sign < 0:
        text = f"counts the other way ({readings}): its inputs are exchanged, or plus_input is not as wired"
        return "reversed", text, reverse(answer.sensed)
    allowed = 2 * math.hypot(gain.u, fit.gain * chain.u_scale)
    if abs(fit.gain - 1) > allowed:
        made = rescaled(answer.sensed, fit.gain, gain.u)
        far = f"reads {fit.gain:.4g} times the current, ± {100 * allowed:.2g} % is allowed"
        return "scale", f"{far} ({readings}): {made.why}", made.fix
    known = f"its scale is proven within ± {200 * gain.u:.2g} %"
    text = f"{readings}: mapping, direction and scale proven; {known}"
    if crosstalk is not None and abs(crosstalk.value) > max(CROSSTALK_SHARE, 3 * crosstalk.u):
        text += f"; it reads {100 * crosstalk.value:.2g} % of the current where none flows"
    return "proven", text, None


def signed(value: float) -> str:
    """Write a reading with its sign, but none before zero: ``+0.998``, ``0.000``."""
    text = fixed(value, 3)
    return text if text.startswith(MINUS) or float(text) == 0 else f"+{text}"


def resistances(
    volts: Mapping[str, Estimate], steps: Sequence[Step], current: Estimate
) -> dict[str, Estimate]:
    """Resistance from lead to lead, by step: what the volts at the clamps and the current tell, in Ω.

    With the volts sensed at the clamps, leads and contacts up to there are not in it; those of a
    supply's own meter are.
    """
    found = {}
    for step in steps:
        v = volts.get(step.name)
        if v is not None:
            r = v.value / current.value
            u = r * math.hypot(v.u / v.value, current.u / current.value)
            found[step.name] = Estimate(r, 0.0, u, "Ω")
    return found

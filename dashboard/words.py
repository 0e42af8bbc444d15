"""What is going on, in one sentence, and what to do about it.

The order of the questions is the order of their weight: is anything recorded at all, does anything
arrive, is a limit passed, can the figures be believed, and only then how the machine runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from dashboard.digits import fixed, grouped, lasting, shown

SILENT_S = 1.5
"""Data older than this is called silence; the recorder commits twenty times a second."""
RECENT_S = 30.0
"""How long an event that is over is still worth the headline."""
AT_REST = 0.005
"""Share of a channel's range below which a current is called none."""
UNEQUAL_PERCENT = 5.0
"""Unbalance worth a warning; common practice, no source. The figures of a healthy bench stay under 2 %."""

NOT_PROTECTION = "Use the drive's own stop."


class Tone(StrEnum):
    """How loud the sentence is."""

    CALM = "calm"
    NOTE = "note"
    WARNING = "warning"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Sentence:
    """What is so, and what to do; ``advice`` may be empty."""

    tone: Tone
    text: str
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Situation:
    """What the sentence is made from; times in seconds.

    ``state`` is the run's (recording, complete, recovered, failed) or None without a run. ``age_s`` is the
    age of the newest data. ``phases`` are the names of the phase-current channels, ``ranges`` their largest
    readable magnitude. ``measured`` is the object of ``measure`` for the newest stretch.
    """

    state: str | None = None
    run: int = 0
    ended: str | None = None
    ended_ago_s: float | None = None
    age_s: float | None = None
    port: str = ""
    outage: bool = False
    scans: int = 0
    events: Sequence[Mapping[str, Any]] = ()
    newest_s: float = 0.0
    lost_lately: int = 0
    faults_lately: Mapping[str, int] = field(default_factory=dict)
    phases: Sequence[str] = ()
    ranges: Mapping[str, float] = field(default_factory=dict)
    measured: Mapping[str, Any] = field(default_factory=dict)


def _plain(quantity: Mapping[str, Any] | None) -> str | None:
    figure = shown(quantity) if quantity else None
    return None if figure is None else f"{figure.value} {figure.unit}".strip()


def _whole(quantity: Mapping[str, Any] | None) -> str | None:
    """Return a figure without decimals: a headline is read from afar, the tile has the rest."""
    figure = shown(quantity) if quantity else None
    if quantity is None or figure is None:
        return None
    value = figure.value if "." not in figure.value else fixed(float(quantity["value"]), 0)
    return f"{value} {figure.unit}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _not_recording(s: Situation) -> Sentence | None:
    if s.state is None:
        return Sentence(
            Tone.NOTE,
            "Nothing has been recorded yet.",
            "Start a recording: livesense record BENCH.toml. This page picks it up by itself.",
        )
    ago = ""
    if s.ended_ago_s is not None:
        ago = f" {lasting(s.ended_ago_s)} ago" if s.ended_ago_s >= 1.0 else " just now"
    if s.state == "recovered":
        return Sentence(
            Tone.FAULT,
            f"The recorder of run {s.run} stopped without closing it{ago}.",
            "Nothing is watched now. What came before is kept. Start livesense record again.",
        )
    if s.state == "failed":
        return Sentence(
            Tone.FAULT,
            f"Run {s.run} ended with an error{ago}; nothing is recorded now.",
            "The recorder's own message says why; what was written is kept.",
        )
    if s.state == "complete":
        why = {"time": "its time was up", "closed": "the link closed", "asked": "it was asked to"}
        reason = f", because {why[s.ended]}" if s.ended in why else ""
        return Sentence(
            Tone.NOTE,
            f"Nothing is recorded now. Run {s.run} ended{ago}{reason}.",
            "Below is how it ended. A new recording appears here by itself.",
        )
    return None


def _silent(s: Situation) -> Sentence | None:
    if s.outage:
        return Sentence(
            Tone.FAULT,
            "The port is gone; the recorder keeps trying to open it.",
            "Check cable and supply of the board. The outage is recorded as a gap.",
        )
    if s.scans == 0:
        return Sentence(
            Tone.NOTE,
            f"Waiting for the first scan from {s.port or 'the port'}.",
            "If nothing comes: is the board running, is the baud rate the board's?",
        )
    if s.age_s is not None and s.age_s > SILENT_S:
        return Sentence(
            Tone.FAULT,
            f"No data for {lasting(s.age_s)}.",
            "The picture and the figures are old. Check the board, the cable and the recorder.",
        )
    return None


def _magnitude(quantity: Mapping[str, Any]) -> str:
    value = quantity.get("value")
    if value is None:
        return "an unknown value"
    at_least = "at least " if quantity.get("at_least") else ""
    return f"{at_least}{_plain(quantity) or fixed(value, 3)}"


def _overcurrent(s: Situation) -> Sentence | None:
    for event in s.events:
        kind = str(event.get("kind", "event"))
        peak, limit = _magnitude(event.get("peak") or {}), _magnitude(event.get("limit") or {})
        if event.get("end_s") is None and s.state == "recording":
            so_far = lasting(max(0.0, s.newest_s - float(event["start_s"])))
            return Sentence(
                Tone.FAULT,
                f"{kind.capitalize()} in {event['channel']}: "
                f"peak {peak}, limit {limit}, for {so_far} so far.",
                f"{NOT_PROTECTION} This page records; it does not protect.",
            )
        if event.get("end_s") is not None and 0 <= s.newest_s - float(event["end_s"]) <= RECENT_S:
            ago = lasting(s.newest_s - float(event["end_s"]))
            return Sentence(
                Tone.WARNING,
                f"{kind.capitalize()} in {event['channel']} ended {ago} ago: peak {peak}, limit {limit}.",
                "Open it below to see what led to it.",
            )
    return None


def _doubtful(s: Situation) -> Sentence | None:
    channels = s.measured.get("channels", {})
    clipped = [name for name in s.phases if (channels.get(name) or {}).get("clipped_scans")]
    if clipped:
        verb = "reaches" if len(clipped) == 1 else "reach"
        return Sentence(
            Tone.WARNING,
            f"{_listed(clipped)} {verb} the end of what the chain can read.",
            "The true peak is higher than shown. A smaller gain or shunt reads further.",
        )
    if s.lost_lately:
        return Sentence(
            Tone.WARNING,
            f"Scans are being lost: {grouped(s.lost_lately)} in the last 10 s.",
            "Every loss is recorded as a gap. A faster link, a lower rate or a shorter cable helps.",
        )
    if s.faults_lately:
        kinds = _listed([f"{grouped(count)} × {kind}" for kind, count in sorted(s.faults_lately.items())])
        return Sentence(
            Tone.WARNING,
            f"Bytes arrive damaged: {kinds} in the last 10 s.",
            "Check the ground between board and computer, the baud rate, and the cable.",
        )
    return None


def _running(s: Situation) -> Sentence:
    channels = s.measured.get("channels", {})
    three = s.measured.get("three_phase") or {}
    speed = s.measured.get("speed") or {}
    rms = {n: ((channels.get(n) or {}).get("rms") or {}).get("value") for n in s.phases}
    known = [(n, value) for n, value in rms.items() if value is not None]
    if not known:
        return Sentence(Tone.NOTE, "Recording; no phase current can be stated yet.", "The tiles say why.")
    if all(value < AT_REST * s.ranges.get(name, 0.0) for name, value in known):
        most = max(AT_REST * s.ranges[name] for name, _ in known)
        return Sentence(
            Tone.CALM,
            f"At rest: no phase carries more than {fixed(most, 2)} A.",
            "A reading of zero does not prove a circuit dead.",
        )
    rpm = _whole(speed.get("rpm"))
    where = f"Running at {rpm}" if rpm else "Current flows, at a speed that cannot be stated"
    sequence = three.get("sequence")
    if sequence:
        where += f", order {sequence}"
    unbalance = (three.get("unbalance_percent") or {}).get("value")
    if unbalance is not None and unbalance > UNEQUAL_PERCENT:
        return Sentence(
            Tone.WARNING,
            f"{where}; the phases are {fixed(unbalance, 1)} % out of balance.",
            "Compare the three currents: a loose terminal, a wrong scale or a winding may be the cause.",
        )
    even = ", phases balanced" if unbalance is not None else ""
    return Sentence(Tone.CALM, f"{where}{even}.", "Nothing is beyond its limit.")


def sentence(s: Situation) -> Sentence:
    """Return the one thing that is most worth saying."""
    return _not_recording(s) or _silent(s) or _overcurrent(s) or _doubtful(s) or _running(s)

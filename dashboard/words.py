"""What is going on, in one sentence, and what to do about it.

The order of the questions is the order of their weight: is anything recorded at all, does anything
arrive, is a limit passed, can the figures be believed, and only then how the machine runs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from dashboard.digits import MINUS, fixed, grouped, lasting, shown
from dashboard.evenness import Evenness, evenness
from dashboard.situation import NO_SIGN_S, SILENT_S, Sentence, Situation, Tone
from dashboard.ways import START
from livesense.wording import bounded, listed

NO_BYTES_S = 2.5
"""Bytes are called missing after this; the recorder tells of them each second."""
BEHIND_BYTES = 256 * 1024
"""A recorder with so much still to decode is behind."""
RECENT_S = 30.0
"""How long an event that is over is still worth the headline."""
TOGETHER_S = 1.0
"""Events that end within this time of each other are told as one."""
AT_REST = 0.005
"""Share of a channel's range below which a current is called none."""
UNEQUAL_PERCENT = 5.0
"""Unbalance worth a warning; common practice, no source. The figures of a healthy bench stay under 2 %."""

KINDS = {
    "inverse-time": "Inverse time",
    "thermal": "Thermal image",
    "i2t": "I²t",
    "phase-loss": "Open phase",
    "reversed": "Turns the wrong way round",
    "standing": "Current at standstill",
}
"""What rules are called where a sentence begins with them and their kind will not do."""

NOT_PROTECTION = "Use the drive's own stop."


def _plain(quantity: Mapping[str, Any] | None) -> str | None:
    figure = shown(quantity) if quantity else None
    return None if figure is None else f"{figure.value} {figure.unit}".strip()


def _whole(quantity: Mapping[str, Any] | None) -> str | None:
    """Return a figure without decimals: a headline is read from afar, the tile has the rest."""
    figure = shown(quantity) if quantity else None
    if quantity is None or figure is None:
        return None
    value = figure.value if "." not in figure.value else fixed(float(quantity["value"]), 0)
    digits = value.removeprefix(MINUS)
    sign = value[: len(value) - len(digits)]
    return f"{sign}{grouped(int(digits))} {figure.unit}"


def _not_recording(s: Situation) -> Sentence | None:
    if s.state is None:
        return Sentence(
            Tone.NOTE,
            "Nothing has been recorded yet.",
            f"Start a recording {START}. It appears here by itself.",
        )
    ago = ""
    if s.ended_ago_s is not None:
        ago = f" {lasting(s.ended_ago_s)} ago" if s.ended_ago_s >= 1.0 else " just now"
    if s.state == "recovered":
        return Sentence(
            Tone.FAULT,
            f"The recorder of run {s.run} stopped without closing it{ago}.",
            f"{'' if s.others else 'Nothing is watched now. '}What came before is kept. Start again {START}.",
        )
    if s.state == "failed":
        return Sentence(
            Tone.FAULT,
            f"Run {s.run} ended with an error{ago}{'' if s.others else '; nothing is recorded now'}.",
            "The recorder's own message, on [Record] or in its terminal, says why; what was written is kept. "
            f"Start again {START}.",
        )
    if s.state == "complete":
        why = {"time": "its time was up", "closed": "the link closed", "asked": "it was asked to"}
        reason = f", because {why[s.ended]}" if s.ended in why else ""
        return Sentence(
            Tone.NOTE,
            f"Nothing is recorded now. Run {s.run} ended{ago}{reason}.",
            f"Below is how it ended. Start the next {START}. It appears here by itself.",
        )
    return None


def _silent(s: Situation) -> Sentence | None:
    if s.outage:
        return Sentence(
            Tone.FAULT,
            "The port is gone; the recorder keeps trying to open it.",
            "Check cable and supply of the board. The outage is recorded as a gap.",
        )
    port = s.port or "the port"
    bytes_come = s.bytes_age_s is not None and s.bytes_age_s < NO_BYTES_S
    old = s.scans == 0 or (s.age_s is not None and s.age_s > SILENT_S)
    if s.sign_age_s is not None and s.sign_age_s > NO_SIGN_S:
        return Sentence(
            Tone.FAULT,
            f"The recorder has given no sign for {lasting(s.sign_age_s)}.",
            "It hangs, or this computer is too busy for it. Look at its terminal; it may not be recording.",
        )
    if old and s.waiting_bytes > BEHIND_BYTES:
        return Sentence(
            Tone.WARNING,
            "The recorder is behind: this computer is too busy.",
            f"{grouped(s.waiting_bytes // 1024)} KiB wait to be decoded. End what else runs here.",
        )
    if s.scans == 0 and bytes_come:
        return Sentence(
            Tone.WARNING,
            f"Bytes come from {port}, but no scan yet.",
            "Is the baud rate the board's, the wire that of the bench file, and sampling started?",
        )
    if s.scans == 0:
        return Sentence(
            Tone.NOTE,
            f"Waiting for the first scan from {port}.",
            "If nothing comes: is the board running, is the baud rate the board's?",
        )
    if old and s.age_s is not None:
        if bytes_come and s.age_s > NO_BYTES_S:
            return Sentence(
                Tone.FAULT,
                f"Bytes come, but no scan for {lasting(s.age_s)}.",
                "The picture and the figures are old. Is sampling stopped, or the baud rate changed?",
            )
        of = f" from {port}" if s.bytes_age_s is not None and not bytes_come else ""
        return Sentence(
            Tone.FAULT,
            f"No data{of} for {lasting(s.age_s)}.",
            "The picture and the figures are old. "
            + (
                "The recorder is alive; check the board, its supply and the cable."
                if of
                else "Check the board and the cable."
            ),
        )
    return None


def _magnitude(quantity: Mapping[str, Any]) -> str:
    value = quantity.get("value")
    if value is None:
        return "an unknown value"
    return f"{bounded(quantity)}{_plain(quantity) or fixed(value, 3)}"


def _together(s: Situation, event: Mapping[str, Any], at_s: float) -> list[Mapping[str, Any]]:
    """Events of one kind and limit that go on, or went on until shortly before: phases trip in turn."""
    return [
        other
        for other in s.events
        if other.get("kind") == event.get("kind")
        and other.get("limit") == event.get("limit")
        and (other.get("end_s") is None or abs(at_s - float(other["end_s"])) <= TOGETHER_S)
    ]


def _channels(s: Situation, events: Sequence[Mapping[str, Any]]) -> str:
    names = dict.fromkeys(str(event.get("channel", "")) for event in events)
    return listed([n for n in s.phases if n in names] + sorted(n for n in names if n not in s.phases))


def _highest(events: Sequence[Mapping[str, Any]]) -> str:
    peaks = [event.get("peak") or {} for event in events]
    known = [p for p in peaks if p.get("value") is not None]
    return _magnitude(max(known, key=lambda p: abs(float(p["value"])), default={}))


def _overcurrent(s: Situation) -> Sentence | None:
    for event in s.events:
        kind = KINDS.get(str(event.get("kind")), str(event.get("kind", "event")).capitalize())
        limit = _magnitude(event.get("limit") or {})
        where = "below" if event.get("kind") == "undervoltage" else "beyond"
        note = event.get("severity") == "note"
        if event.get("end_s") is None and s.state == "recording":
            events = _together(s, event, s.newest_s)
            begun_s = min(float(e["start_s"]) for e in events if e.get("end_s") is None)
            so_far = lasting(max(0.0, s.newest_s - begun_s))
            return Sentence(
                Tone.WARNING if note else Tone.FAULT,
                f"{kind}: {_channels(s, events)} {where} {limit} for {so_far} so far, "
                f"peak {_highest(events)}.",
                f"{NOT_PROTECTION} This page records; it does not protect.",
            )
        if event.get("end_s") is not None and 0 <= s.newest_s - float(event["end_s"]) <= RECENT_S:
            events = _together(s, event, float(event["end_s"]))
            ago = lasting(s.newest_s - max(float(e["end_s"]) for e in events if e.get("end_s") is not None))
            return Sentence(
                Tone.WARNING,
                f"{kind} ended {ago} ago: {_channels(s, events)} {where} {limit}, peak {_highest(events)}.",
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
            f"{listed(clipped)} {verb} the end of what the chain can read.",
            "The true peak is higher than shown. A smaller gain or shunt reads further.",
        )
    if s.lost_lately:
        return Sentence(
            Tone.WARNING,
            f"Scans are being lost: {grouped(s.lost_lately)} in the last 10 s.",
            "Every loss is recorded as a gap. A faster link, a lower rate or a shorter cable helps.",
        )
    if s.faults_lately:
        kinds = listed([f"{grouped(count)} × {kind}" for kind, count in sorted(s.faults_lately.items())])
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
    where = _motion(s, _whole(speed.get("rpm")), three.get("sequence"))
    rest = (
        "Nothing is beyond its limit." if s.watched else "The bench file sets no limit: nothing is watched."
    )
    unbalance = three.get("unbalance_percent") or {}
    value = unbalance.get("value")
    if value is not None and value > UNEQUAL_PERCENT:
        return Sentence(
            Tone.WARNING,
            f"{where}; the phases are {fixed(value, 1)} % out of balance.",
            "Compare the three currents: a loose terminal, a wrong scale or a winding may be the cause.",
        )
    even = s.even or evenness(s.measured)
    return Sentence(Tone.CALM, "; ".join([where, *_evenness(even)]) + ".", rest)


def _motion(s: Situation, rpm: str | None, sequence: str | None) -> str:
    """Say how the machine turns; which way is forward is known from the bench file alone."""
    if rpm is None and s.stretch is not None:
        return _doing(s.stretch)
    if rpm is None:
        return "Current flows, at a speed that cannot be stated" + (f", order {sequence}" if sequence else "")
    if sequence is None:
        return f"Running at {rpm}"
    if s.forward is None:
        return f"Running at {rpm}, order {sequence}"
    return f"Running {'forward' if sequence == s.forward else 'in reverse'} at {rpm}"


DOING = {"start": "Starting", "braking": "Stopping", "speed change": "Changing speed"}


def _doing(stretch: Mapping[str, Any]) -> str:
    """Say what the machine does while its speed cannot be stated as one figure."""
    kind, hz = str(stretch["kind"]), float(stretch["frequency_hz"])
    if kind in ("align", "held"):
        return f"Held in place with {fixed(float(stretch['current_peak_a']), 1)} A, not turning"
    doing = DOING.get(kind, "Current flows, at a speed that changes")
    return f"{doing}, near {grouped(round(hz))} Hz electrical" if hz >= 1 else doing


def _evenness(even: Evenness) -> list[str]:
    said = []
    if even.at_most_percent is not None:
        said.append(f"currents balanced within {fixed(even.at_most_percent, 1)} %")
    if even.phase is not None:
        late = "late" if even.late_deg > 0 else "early"
        said.append(f"{even.phase} is {fixed(abs(even.late_deg), 1)}° {late}")
    return said


def _died(s: Situation) -> Sentence | None:
    if not s.died:
        return None
    number, ago_s = s.died[0]
    return Sentence(
        Tone.WARNING,
        f"The recorder of run {number} stopped {lasting(max(1.0, ago_s))} ago; this is run {s.run}.",
        f"What run {number} holds is kept. Start again for its device {START}.",
    )


def _away(s: Situation) -> Sentence | None:
    if not s.others_away:
        return None
    return Sentence(
        Tone.WARNING,
        f"{_of_ports(s.others_away)} gone; this is run {s.run}.",
        "Its recorder keeps trying to open it. Check cable and supply of that board."
        if len(s.others_away) == 1
        else "Their recorders keep trying to open them. Check cables and supplies of those boards.",
    )


def _of_ports(runs: Sequence[int]) -> str:
    numbers = listed([str(n) for n in sorted(runs)])
    return f"The port of run {numbers} is" if len(runs) == 1 else f"The ports of runs {numbers} are"


def _beside(s: Situation, text: str) -> str:
    """Say how it goes with other runs, as far as ``text`` does not: dead, without a port, recorded."""
    said = [
        f"The recorder of run {number} stopped too, {lasting(max(1.0, ago_s))} ago."
        for number, ago_s in s.died
        if f"recorder of run {number} stopped" not in text
    ]
    if s.others_away and _of_ports(s.others_away) not in text:
        said.append(f"{_of_ports(s.others_away)} gone.")
    if s.newer is not None:
        said.append(f"Run {s.newer}, begun later, holds no scans.")
    well = [n for n in sorted(s.others) if n not in s.others_away]
    if well:
        one = len(well) == 1
        shown_too = f"This is run {s.run}; " if s.state == "recording" else ""
        runs = ("run" if one else "runs") if shown_too else ("Run" if one else "Runs")
        numbers = listed([str(n) for n in well])
        said.append(f"{shown_too}{runs} {numbers} {'is' if one else 'are'} being recorded too.")
    return " ".join(said)


def sentence(s: Situation) -> Sentence:
    """Return the one thing that is most worth saying."""
    said = (
        _not_recording(s)
        or _silent(s)
        or _overcurrent(s)
        or _died(s)
        or _away(s)
        or _doubtful(s)
        or _running(s)
    )
    return replace(said, advice=" ".join(filter(None, [said.advice, _beside(s, said.text)])))

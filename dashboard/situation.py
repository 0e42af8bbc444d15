"""What is going on, as the sentence on top is made from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from dashboard.evenness import Evenness

SILENT_S = 1.5
"""Data older than this is called silence; the recorder commits twenty times a second."""
NO_SIGN_S = 3.0
"""A recorder without a sign for so long is called that; it gives one each second."""


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
    age of the newest data, ``bytes_age_s`` that of the newest bytes, ``sign_age_s`` that of the recorder's
    last sign, ``waiting_bytes`` what it has read and not decoded. ``others`` are runs recorded beside this
    one, ``others_away`` those of them whose port is gone; ``died`` are other runs whose recorder died and
    how long ago, the latest first, for which no newer run has begun since. ``newer`` is a newer run that
    holds no scans, where nothing is recorded. ``watched`` says whether the
    bench file sets any limit. ``phases`` are the names of the phase-current channels, ``ranges`` their
    largest readable magnitude. ``measured`` is the object of ``measure`` for the newest stretch. ``forward``
    is the sequence of forward rotation by the bench file; ``even`` what is said of how even the phases are,
    taken from ``measured`` where it is None. ``stretch`` is what the machine does now, looked for where no
    speed can be stated.
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
    bytes_age_s: float | None = None
    sign_age_s: float | None = None
    waiting_bytes: int = 0
    others: Sequence[int] = ()
    others_away: Sequence[int] = ()
    died: Sequence[tuple[int, float]] = ()
    newer: int | None = None
    watched: bool = True
    forward: str | None = None
    even: Evenness | None = None
    stretch: Mapping[str, Any] | None = None


def is_old(s: Situation) -> bool:
    """Tell whether what is shown is of the past: nothing is recorded, or nothing comes."""
    return (
        s.state != "recording"
        or s.outage
        or (s.age_s is not None and s.age_s > SILENT_S)
        or (s.sign_age_s is not None and s.sign_age_s > NO_SIGN_S)
    )

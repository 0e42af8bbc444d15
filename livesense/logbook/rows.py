"""What the logbook's smaller tables hand out, one frozen dataclass for each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from livesense.samples import Event


def state_of_end(ended: str) -> str:
    """State of a run whose end was written: only an error makes it ``failed``."""
    return "failed" if ended == "error" else "complete"


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run at a glance.

    ``state`` is recording, complete, recovered or failed. ``seconds`` is the time of
    the latest stored scan on the run's own axis. ``scans_lost`` leaves burst pauses
    out and is None where no group can count.
    """

    number: int
    name: str
    started_wall_s: float
    seconds: float
    state: str
    ended: str | None
    ended_wall_s: float | None
    channels: tuple[str, ...]
    events: int
    scans_lost: int | None
    bench_name: str
    bench_text: str
    bench_path: str
    device: str
    wire: str
    port: str
    version: str
    summary: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """A stored channel; ``role`` is code or clock, ``shown_name`` is the device's own."""

    group: int
    position: int
    name: str
    shown_name: str
    role: str
    decimals: int


@dataclass(frozen=True, slots=True)
class GapRow:
    """Scans ``first … first + count − 1`` were not stored; ``count`` None: not countable."""

    group: int
    first: int
    count: int | None
    cause: str
    wall_s: float | None


@dataclass(frozen=True, slots=True)
class RestartRow:
    """The device began anew; ``scan`` is the index that the next accepted scan got."""

    group: int | None
    scan: int
    last_counter: int | None
    first_counter: int | None
    wall_s: float | None


@dataclass(frozen=True, slots=True)
class FaultRow:
    """So many faults of a kind within one second of wall time."""

    wall_s: int
    kind: str
    count: int


LATER = "page"
"""Source of a note that was added when the run was over: it belongs to no instant of it."""


@dataclass(frozen=True, slots=True)
class NoteRow:
    """Text from the device or the user; ``source`` is device, user or :data:`LATER`."""

    number: int
    wall_s: float
    scan: int | None
    source: str
    text: str


@dataclass(frozen=True, slots=True)
class EventRow:
    """An event with its place in the logbook."""

    number: int
    revision: int
    event: Event


@dataclass(frozen=True, slots=True)
class OutageRow:
    """The port was away; ``ended_wall_s`` None: it still is, or the run ended first.

    ``scans_lost`` None: cannot be counted, and ``uncounted`` says why where that is known.
    """

    began_wall_s: float
    ended_wall_s: float | None
    cause: str
    scans_lost: int | None = None
    uncounted: str | None = None


@dataclass(frozen=True, slots=True)
class HealthRow:
    """The recorder's latest figures, as it gave them."""

    wall_s: float
    figures: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """What a calibration found of one channel.

    ``kind`` is zero or scale. ``zero_code`` and ``u_codes`` are in codes; of a scale they are where its line
    meets zero, and that uncertainty. A scale has ``per_code``, ``u_relative`` (of the slope, without the
    meters' errors, which stand in ``details``), ``pivot`` and ``u_pivot`` as well, in ``unit``.
    ``reason`` is why it was kept though a check was against it.
    """

    number: int
    wall_s: float
    kind: str
    bench_name: str
    board: str
    device: str
    channel: str
    zero_code: float
    u_codes: float
    scans: int
    unit: str = ""
    per_code: float | None = None
    u_relative: float | None = None
    pivot: float | None = None
    u_pivot: float | None = None
    noise_codes: float | None = None
    drift_codes: float | None = None
    reason: str = ""
    details: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PointRow:
    """A point of a calibration; ``calibration`` None: no scale was made of it yet.

    ``value`` is what the reference said, in ``unit``; ``u_relative`` and ``u_absolute`` are errors of that
    ``meter``, ``u_own`` is its repeatability.
    """

    number: int
    wall_s: float
    bench_name: str
    board: str
    device: str
    channel: str
    value: float
    unit: str
    code: float
    u_code: float
    scans: int
    meter: str
    u_relative: float
    u_absolute: float
    u_own: float
    details: dict[str, Any] = field(default_factory=dict)
    calibration: int | None = None


@dataclass(frozen=True, slots=True)
class RevisionRow:
    """What a run's figures stand on: a bench file and calibrations, from a time on.

    Number 0 is the run as it was recorded; its ``bench_text`` is empty and stands in the run's own row.
    """

    number: int
    wall_s: float
    reason: str
    made_by: str
    bench_text: str
    bench_path: str
    calibrations: tuple[int, ...]
    version: str
    undone_wall_s: float | None


@dataclass(frozen=True, slots=True)
class StageRow:
    """Verdict on a stage of a bring-up: ``verdict`` is passed, failed or undecided.

    ``from_s`` and ``to_s`` are seconds of the run; None where no scans were looked at. ``details`` holds
    ``checks``, each with what was found and expected.
    """

    number: int
    wall_s: float
    stage: str
    verdict: str
    from_s: float | None
    to_s: float | None
    text: str
    details: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RequestRow:
    """Something asked of a run's recorder; ``answer`` None: not answered yet."""

    number: int
    run: int
    asked_wall_s: float
    kind: str
    text: str
    answer: str | None

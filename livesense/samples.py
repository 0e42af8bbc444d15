"""The vocabulary that every stage shares.

A *code* is one raw ADC reading. A *scan* is one code from every channel of a
*group*, taken together. Stages pass the values below to each other and know
nothing else of one another.

Arrays are ``(n,)`` or ``(n, channels)``; codes stay integers until the chain
converts them; names carry units (``time_s``, ``rate_hz``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[Any]
"""Integer codes (or float32 values), ``(n, channels)``."""

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class CodeType(StrEnum):
    """How one code is held, on the wire and in memory."""

    U16 = "u16"
    I16 = "i16"
    I32 = "i32"
    U12 = "u12"
    I64 = "i64"
    """Whole numbers of any field of a record."""
    F32 = "f32"
    F64 = "f64"
    """Floats, or floats and whole numbers side by side; the float itself is the code."""
    TEXT = "text"
    """Decimal text: integers, or decimals held as integers times a power of ten."""

    @property
    def dtype(self) -> np.dtype[Any]:
        """The numpy type that codes of this type are handed on in."""
        return np.dtype(_DTYPES[self])


_DTYPES: dict[str, str] = {
    "u16": "u2", "i16": "i2", "i32": "i4", "u12": "u2", "i64": "i8", "f32": "f4", "f64": "f8", "text": "i8",
}  # fmt: skip


class FaultKind(StrEnum):
    """Why bytes on the line were not taken, or what is odd about those that were."""

    STUFFING = "stuffing"
    CRC = "crc"
    LENGTH = "length"
    UNKNOWN_KIND = "unknown_kind"
    UNKNOWN_GROUP = "unknown_group"
    REPEATED = "repeated"
    BAD_LINE = "bad_line"
    BAD_RECORD = "bad_record"
    CODE_RANGE = "code_range"
    BAD_DESCRIPTION = "bad_description"


class GapCause(StrEnum):
    """Who lost the scans of a gap."""

    WIRE = "wire"
    OUTAGE = "outage"
    HOST = "host"
    BURST = "burst"


@dataclass(frozen=True, slots=True)
class GroupInfo:
    """What is known of one group of channels that are sampled together.

    Attributes
    ----------
    rate_hz
        Nominal scan rate; None where nothing tells it.
    code
        Type of its codes.
    bits
        Width of the ADC's code as the device states it; None where it does not.
    channels
        Names in the order in which their codes stand in a scan.
    burst
        Scans in a row at full rate before the device pauses; None for a steady stream.
    decimals
        Power of ten by which each channel's value was multiplied to make an
        integer (text wire only); empty means 0 for all.
    clock
        Name of the column that holds the device's own clock (``t_us`` or ``t_ms``);
        None where there is none. It is not one of ``channels``.
    """

    rate_hz: float | None
    code: CodeType
    bits: int | None
    channels: tuple[str, ...]
    burst: int | None = None
    decimals: tuple[int, ...] = ()
    clock: str | None = None


@dataclass(frozen=True, slots=True)
class Description:
    """What a device said of itself: its groups, in the order of their numbers.

    ``text`` is the JSON as it came, ``shown_names`` maps each replaced channel
    name (``gN_cM``) to the name the device gave, which may hold anything; ``counted``
    tells whether the scans come with a counter.
    """

    groups: tuple[GroupInfo, ...]
    device: str = ""
    boot: str | None = None
    text: str = ""
    shown_names: tuple[tuple[str, str], ...] = ()
    counted: bool = True


@dataclass(frozen=True, slots=True)
class Note:
    """Text from the firmware, kept with the run at the time it arrived."""

    text: str


@dataclass(frozen=True, slots=True)
class LinkFault:
    """Something on the line that could not be taken; ``count`` of a kind at once."""

    kind: FaultKind
    count: int = 1


@dataclass(frozen=True, slots=True)
class Packets:
    """Packets of scans as they stand on the wire, in the order they came.

    Attributes
    ----------
    group
        ``(p,)`` group number of each packet.
    first
        ``(p,)`` the device's counter (int64, not yet unwrapped) at each packet's first
        scan; None where the wire has no counter.
    count
        ``(p,)`` int64, whole scans in each packet; at least 1.
    codes
        For each group number that occurs: ``(n, channels)``, the scans of its
        packets one after the other.
    clock
        The device's own clock, ``(n,)`` ticks per scan (int64, not unwrapped), for
        single-group wires that carry one; None elsewhere.
    """

    group: NDArray[np.int64]
    first: NDArray[np.int64] | None
    count: NDArray[np.int64]
    codes: dict[int, Codes]
    clock: NDArray[np.int64] | None = None


@dataclass(frozen=True, slots=True)
class Arrival:
    """When bytes arrived at the host: both clocks, in seconds.

    A file or a pipe has no arrival clock: None stands in its place. ``counts_sleep`` tells
    that ``monotonic_s`` goes on while the computer sleeps; elsewhere the wall clock has to
    tell of that, and may also have been set.
    """

    monotonic_s: float
    wall_s: float
    counts_sleep: bool = False


@dataclass(frozen=True, slots=True)
class ScanBlock:
    """Accepted scans without a gap between them.

    ``first`` is the run's scan index of the first row of ``codes``
    (``(n, channels)``); ``clock`` is ``(n,)`` unwrapped device ticks, or None.
    """

    group: int
    first: int
    codes: Codes
    clock: NDArray[np.int64] | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """Scans ``first … first + count - 1`` of a group were not stored.

    ``count`` is None where the wire has no counter and only the fact is known.
    """

    group: int
    first: int
    count: int | None
    cause: GapCause


@dataclass(frozen=True, slots=True)
class Restart:
    """The device began counting anew.

    ``group`` and ``scan`` name where it was seen (``scan``: the index that the
    next accepted scan of that group gets); the counters are the device's own,
    None where they are not known.
    """

    group: int | None
    scan: int
    last_counter: int | None
    first_counter: int | None


@dataclass(frozen=True, slots=True)
class SegmentStart:
    """From this scan index on, a group's scans follow at one nominal rate.

    ``start_s`` is the time of that scan, in seconds from the run's first scan.
    """

    group: int
    first: int
    start_s: float
    rate_hz: float | None


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Where the scans of one group lie in time: its segments, in order."""

    segments: tuple[SegmentStart, ...]

    def _starts(self) -> NDArray[np.int64]:
        return np.array([s.first for s in self.segments], dtype=np.int64)

    def time_s(self, scans: NDArray[np.int64]) -> FloatArray:
        """Seconds from the run's first scan, ``(n,)``, for scan indices ``(n,)``."""
        scans = np.asarray(scans, dtype=np.int64)
        which = np.clip(np.searchsorted(self._starts(), scans, side="right") - 1, 0, None)
        first = self._starts()[which]
        start_s = np.array([s.start_s for s in self.segments])[which]
        period_s = np.array([1.0 / s.rate_hz if s.rate_hz else np.nan for s in self.segments])[which]
        offset = scans - first
        # An unknown rate still has one known instant: the segment's own start.
        return start_s + np.where(offset == 0, 0.0, offset * period_s)

    def end_s(self, scan: int) -> float:
        """Seconds at which a scan's own period is over; its instant where the rate is unknown."""
        at_s = float(self.time_s(np.array([scan]))[0])
        which = max(0, int(np.searchsorted(self._starts(), scan, side="right")) - 1)
        rate_hz = self.segments[which].rate_hz
        return at_s + 1.0 / rate_hz if rate_hz else at_s

    def scan_at(self, time_s: float) -> int:
        """First scan index at or after a time, which may be off by a thousandth of a scan by rounding."""
        best = self.segments[0].first
        for number, segment in enumerate(self.segments):
            if segment.start_s > time_s and number > 0:
                break
            if not segment.rate_hz:
                best = segment.first
                continue
            best = segment.first + max(0, math.ceil((time_s - segment.start_s) * segment.rate_hz - 1e-3))
            if number + 1 < len(self.segments):
                best = min(best, self.segments[number + 1].first)
        return best


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty (k = 1), random and systematic parts apart.

    Random parts average down over a window, systematic ones do not and are shared
    by every sample; they are combined only for display (JCGM 100:2008, 5.1.2).
    """

    value: float
    u_random: float = 0.0
    u_systematic: float = 0.0
    unit: str = ""

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(self.u_random, self.u_systematic)

    def as_json(self) -> dict[str, Any]:
        """``{"value", "u", "unit"}``, with None for anything not finite."""
        return {
            "value": self.value if math.isfinite(self.value) else None,
            "u": self.u if math.isfinite(self.u) else None,
            "unit": self.unit,
        }


@dataclass(frozen=True, slots=True)
class Event:
    """Something a watch found, exact to the scan.

    ``rule`` is the rule's position in the bench file. ``end_scan`` is inclusive,
    None while the event is open. ``peak`` is the largest magnitude with its sign
    (``peak_scan`` says where); ``peak_at_least`` is set when it was clipped.
    ``lost_scans`` were lost inside it.
    """

    kind: str
    channel: str
    group: int
    rule: int
    start_scan: int
    end_scan: int | None
    peak: float
    peak_scan: int
    peak_at_least: bool
    limit: float
    unit: str
    text: str
    lost_scans: int = 0
    cut_short: bool = False
    details: dict[str, Any] = field(default_factory=dict)

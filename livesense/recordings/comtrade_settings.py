"""The configuration (``.cfg``) of a COMTRADE record: revisions 1991, 1999 and 2013."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

from livesense.errors import UsageError

DATA_KINDS = ("ASCII", "BINARY", "BINARY32", "FLOAT32")
MOST_CHANNELS = 10_000


@dataclass(frozen=True, slots=True)
class AnalogLine:
    """One analog channel as its line states it: ``value = a · code + b`` in ``unit``."""

    name: str
    phase: str
    circuit: str
    unit: str
    a: float
    b: float
    skew_us: float
    side: str
    """P: values are primary; S: those of the instrument transformer's secondary side."""
    primary: float
    secondary: float


@dataclass(frozen=True, slots=True)
class StatusLine:
    """One status channel: a bit."""

    name: str
    phase: str
    circuit: str


@dataclass(frozen=True, slots=True)
class Settings:
    """A whole configuration.

    ``sections`` are ``(rate in Hz, number of its last sample)``; a rate of 0 means that the time stamps tell.
    ``stamp_s`` is the unit of those, the multiplier counted in.
    """

    station: str
    device: str
    revision: str
    analog: tuple[AnalogLine, ...]
    status: tuple[StatusLine, ...]
    line_hz: float | None
    sections: tuple[tuple[float, int], ...]
    started_wall_s: float | None
    has_zone: bool
    kind: str
    stamp_s: float


class _Lines:
    """Lines of a configuration, counted for messages."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        self._lines = text.replace("\x1a", "").splitlines()
        self.number = 0

    def next(self, what: str, *, needed: bool = True) -> list[str]:
        """Read the fields of the next line, ``[""]`` at the end where it is not needed."""
        if self.number >= len(self._lines):
            if not needed:
                return [""]
            raise UsageError(
                f"{self.name}: expected {what} in line {self.number + 1}, found the end of the file"
            )
        self.number += 1
        return [field.strip() for field in self._lines[self.number - 1].split(",")]

    def fail(self, expected: str, found: str) -> UsageError:
        """Say what is wrong in the line that was read last."""
        return UsageError(f"{self.name}: line {self.number}: expected {expected}, found {found[:80]!r}")


def read_settings(text: str, path: Path) -> Settings:
    """Read a configuration.

    Raises
    ------
    UsageError
        It is none, or states what cannot be; the message names the line.
    """
    lines = _Lines(text, path.name)
    first = lines.next("station, device and revision")
    revision = _revision(lines, first)
    analog_count, status_count = _counts(lines)
    analog = tuple(_analog(lines, revision) for _ in range(analog_count))
    status = tuple(_status(lines) for _ in range(status_count))
    line_hz = _number(lines, lines.next("the line's frequency")[0], "the line's frequency", empty=0.0)
    sections = tuple(_sections(lines))
    started = lines.next("date and time of the first sample")
    lines.next("date and time of the trigger")
    kind = lines.next("the kind of the data file")[0].upper()
    if kind not in DATA_KINDS:
        raise lines.fail(f"one of {', '.join(DATA_KINDS)}", kind)
    timemult = _number(
        lines, lines.next("the multiplier of time stamps", needed=False)[0], "a multiplier", empty=1.0
    )
    zone = lines.next("the time code", needed=False)[0] if revision >= "2013" else ""
    moment, fine = _moment(started, revision)
    offset = _zone(zone)
    if moment is not None:
        moment = moment.replace(tzinfo=offset) if offset is not None else moment.astimezone()
    return Settings(
        station=first[0],
        device=first[1] if len(first) > 1 else "",
        revision=revision,
        analog=analog,
        status=status,
        line_hz=line_hz or None,
        sections=sections,
        started_wall_s=None if moment is None else moment.timestamp(),
        has_zone=offset is not None,
        kind=kind,
        # Nanoseconds are the unit where the record's own start is written with them (2013, 8.9).
        stamp_s=(1e-9 if fine else 1e-6) * timemult,
    )


def _revision(lines: _Lines, first: list[str]) -> str:
    """Year of the standard; the first edition did not have the field."""
    given = first[2] if len(first) > 2 else ""
    if not given:
        return "1991"
    if not re.fullmatch(r"\d{4}", given):
        raise lines.fail("a year such as 1999 or 2013 as the revision", given)
    return given


def _counts(lines: _Lines) -> tuple[int, int]:
    fields = lines.next("the number of channels")
    found = [
        re.fullmatch(rf"(\d{{1,6}})\s*{letter}", field, re.I)
        for letter, field in zip("AD", fields[1:], strict=False)
    ]
    if len(fields) < 3 or not fields[0].isdigit() or not all(found):
        raise lines.fail("the number of channels such as 4,3A,1D", ",".join(fields))
    analog, status = (int(match.group(1)) for match in found if match is not None)
    if analog + status != int(fields[0]) or not 0 < analog + status <= MOST_CHANNELS:
        raise lines.fail(f"a total that its two parts give, from 1 to {MOST_CHANNELS}", ",".join(fields))
    return analog, status


def _analog(lines: _Lines, revision: str) -> AnalogLine:
    fields = lines.next("an analog channel")
    if len(fields) < 10:
        raise lines.fail("at least 10 fields of an analog channel", ",".join(fields))
    fields += [""] * (13 - len(fields))
    return AnalogLine(
        name=fields[1],
        phase=fields[2],
        circuit=fields[3],
        unit=fields[4],
        a=_number(lines, fields[5], "the multiplier a"),
        b=_number(lines, fields[6], "the offset b"),
        skew_us=_number(lines, fields[7], "the time skew", empty=0.0),
        primary=_number(lines, fields[10], "the primary factor", empty=1.0),
        secondary=_number(lines, fields[11], "the secondary factor", empty=1.0),
        side=fields[12].upper()[:1] if revision != "1991" else "",
    )


def _status(lines: _Lines) -> StatusLine:
    fields = lines.next("a status channel")
    if len(fields) < 2:
        raise lines.fail("the number and the name of a status channel", ",".join(fields))
    long = len(fields) >= 5
    return StatusLine(fields[1], fields[2] if long else "", fields[3] if long else "")


def _sections(lines: _Lines) -> Iterator[tuple[float, int]]:
    """Rates and the last sample of each; one without a rate where the time stamps tell."""
    given = lines.next("the number of rates")[0]
    if not given.isdigit() or int(given) > 10_000:
        raise lines.fail("the number of sampling rates", given)
    before = 0
    for _ in range(max(1, int(given))):
        fields = lines.next("a rate and the number of its last sample")
        if len(fields) < 2 or not fields[1].isdigit():
            raise lines.fail("a rate and the number of its last sample", ",".join(fields))
        rate_hz = _number(lines, fields[0], "a rate", empty=0.0) if int(given) else 0.0
        last = int(fields[1])
        if rate_hz < 0 or last < before:
            raise lines.fail(f"a rate of 0 or more, and a last sample of at least {before}", ",".join(fields))
        yield rate_hz, last
        before = last


def _number(lines: _Lines, text: str, what: str, empty: float | None = None) -> float:
    if not text and empty is not None:
        return empty
    try:
        value = float(text)
    except ValueError:
        raise lines.fail(f"a number as {what}", text) from None
    if not abs(value) < 1e300:
        raise lines.fail(f"a finite number as {what}", text)
    return value


_DATE = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{2,4})")
_TIME = re.compile(r"(\d{1,2}):(\d{1,2}):(\d{1,2})(?:\.(\d{1,12}))?")


def _moment(fields: list[str], revision: str) -> tuple[datetime | None, bool]:
    """Read when the first sample was, None where it is not stated; and whether it counts nanoseconds."""
    date, clock = (
        (_DATE.fullmatch(fields[0]), _TIME.fullmatch(fields[1])) if len(fields) > 1 else (None, None)
    )
    if date is None or clock is None:
        return None, False
    day, month, year = (int(part) for part in date.groups())
    if revision == "1991":
        # That edition wrote the month first.
        day, month = month, day
    if year < 100:
        year += 1900 if year >= 80 else 2000
    fraction = clock.group(4) or ""
    try:
        hour, minute, second = (int(part) for part in clock.groups()[:3])
        moment = datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None, len(fraction) > 6
    return moment + timedelta(seconds=float(f"0.{fraction or '0'}")), len(fraction) > 6


def _zone(text: str) -> timezone | None:
    """Read the time code of 2013, hours from UTC such as ``-4`` or ``+10h30``; None where there is none."""
    found = re.fullmatch(r"([+-]?)(\d{1,2})(?:h(\d{2}))?", text.strip())
    if found is None:
        return None
    minutes = int(found.group(2)) * 60 + int(found.group(3) or 0)
    if minutes > 15 * 60:
        return None
    return UTC if not minutes else timezone(timedelta(minutes=-minutes if found.group(1) == "-" else minutes))

"""What a check says: findings, and the line of the bench file that would mend each."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Severity(StrEnum):
    """``fault``: figures are wrong. ``warning``: they may be, or soon will. ``note``: worth knowing."""

    FAULT = "fault"
    WARNING = "warning"
    NOTE = "note"


class Kind(StrEnum):
    """Every kind of finding, in the order in which they are told."""

    NO_SIGNAL = "no-signal"
    STUCK = "stuck"
    FLOATING = "floating"
    MISSING_PHASE = "missing-phase"
    REFERENCE_SETUP = "reference-setup"
    REVERSED = "reversed"
    SWAPPED = "swapped"
    SCALE = "scale"
    ZERO_OFF = "zero-off"
    CLIPPED = "clipped"
    NOISY = "noisy"
    DRIFT = "drift"
    SKEW = "skew"
    BANDWIDTH = "bandwidth"
    ALIASING = "aliasing"
    PAIR = "pair"
    BUS = "bus"
    RANGE_SMALL = "range-small"
    RANGE_TIGHT = "range-tight"
    RANGE_WIDE = "range-wide"
    RATE = "rate"
    LINK = "link"


@dataclass(frozen=True, slots=True)
class Edit:
    """One key of a bench file and the value it should have.

    ``table`` is ``channel``, ``group``, ``adc``, ``motor``, ``link`` or ``bench``; ``channel`` names the
    channel, ``number`` the group. ``value`` is as TOML has it: a text, a number or true and false.
    """

    table: str
    key: str
    value: str | float | int | bool
    channel: str = ""
    number: int = 0

    @property
    def line(self) -> str:
        """The line as it stands in the file; where it belongs to no channel, a comment tells its table."""
        where = "" if self.table == "channel" else f"  # in {self.place}"
        return f"{self.key} = {toml_value(self.value)}{where}"

    def as_json(self) -> dict[str, Any]:
        """Write it as the scripting contract has it."""
        return {
            "table": self.table,
            "channel": self.channel or None,
            "group": self.number if self.table == "group" else None,
            "key": self.key,
            "value": self.value,
        }

    @property
    def place(self) -> str:
        """The table it belongs to."""
        return f"[[{self.table}]]" if self.table in ("channel", "group") else f"[{self.table}]"


def toml_value(value: str | float | bool) -> str:
    """Write a value as TOML has it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    return f"{value:.6g}" if isinstance(value, float) else str(value)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong.

    Attributes
    ----------
    channel
        None where it is not known which, or where it is no channel's.
    text
        One or two sentences with the number that tells it.
    fix
        What to do: the bench file's line where a line mends it, else words.
    edit
        That line; None where none mends it.
    other
        Another line that would mend it as well, where the data do not tell which part is wrong.
    numbers
        What was measured, for programs.
    """

    kind: Kind
    channel: str | None
    severity: Severity
    text: str
    fix: str = ""
    edit: Edit | None = None
    numbers: dict[str, float] = field(default_factory=dict)
    other: Edit | None = None

    @property
    def alarm(self) -> bool:
        """Whether the bench is not all right because of it."""
        return self.severity is not Severity.NOTE

    def as_json(self) -> dict[str, Any]:
        """Write it as the scripting contract has it."""
        return {
            "kind": str(self.kind),
            "channel": self.channel,
            "severity": str(self.severity),
            "text": self.text,
            "fix": self.edit.line if self.edit is not None else self.fix,
            "edit": None if self.edit is None else self.edit.as_json(),
            "or": None if self.other is None else self.other.as_json(),
            "numbers": self.numbers,
        }


def fault(kind: Kind, channel: str | None, text: str, fix: str | Edit, **numbers: float) -> Finding:
    """Make a finding that says that figures are wrong."""
    return _made(kind, channel, Severity.FAULT, text, fix, numbers)


def warning(kind: Kind, channel: str | None, text: str, fix: str | Edit, **numbers: float) -> Finding:
    """Make a finding that says that figures may be wrong."""
    return _made(kind, channel, Severity.WARNING, text, fix, numbers)


def note(kind: Kind, channel: str | None, text: str, fix: str | Edit = "", **numbers: float) -> Finding:
    """Make a finding that is no alarm."""
    return _made(kind, channel, Severity.NOTE, text, fix, numbers)


def _made(
    kind: Kind,
    channel: str | None,
    severity: Severity,
    text: str,
    fix: str | Edit,
    numbers: dict[str, float],
) -> Finding:
    if isinstance(fix, Edit):
        return Finding(kind, channel, severity, text, fix.line, fix, numbers)
    return Finding(kind, channel, severity, text, fix, None, numbers)


SAFE = "De-energise, prove the bus dead with a rated meter, then "
"""Begins every fix that has hands go near the power stage."""

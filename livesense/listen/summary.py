"""What a whole look at a line came to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from livesense.listen.rows import WORDS, Verdict
from livesense.listen.seen import Hint, Line
from livesense.listen.session import Session
from livesense.wording import counted, plain

UNITS = {"framed": "frame", "text": "line", "record": "record"}


class Rates:
    """How fast a stream comes: what had waited before the first look is left out."""

    def __init__(self) -> None:
        self._first_s: float | None = None
        self._last_s: float | None = None
        self._before: tuple[int, ...] = ()

    def take(self, at_s: float, *counts: int) -> None:
        """Note the counts of everything so far, ``at_s`` seconds after the beginning."""
        if self._first_s is None:
            self._first_s, self._before = at_s, counts
        self._last_s = at_s

    def of(self, *counts: int) -> list[float] | None:
        """Give each count's rate in 1/s; None where too little time passed."""
        if self._first_s is None or self._last_s is None or self._last_s - self._first_s < 0.2:
            return None
        seconds = self._last_s - self._first_s
        return [(now - before) / seconds for now, before in zip(counts, self._before, strict=True)]


def summary(
    session: Session,
    line: Line,
    hints: list[Hint],
    *,
    seconds: float,
    rates: list[float] | None,
    ended: str,
    error: str | None,
) -> dict[str, Any]:
    """Sum up, as ``listen --json`` prints it at the end (docs/scripting.md).

    ``rates`` are bytes, rows and scans per second, None where nothing tells them.
    """
    tally, expected = session.tally, session.expected
    placing = session.listener.placing if session.listener is not None else None
    each: Sequence[float | None] = rates or (None, None, None)
    return {
        "kind": "summary",
        "port": line.given,
        "baud": line.baud,
        "wire": expected.wire if expected is not None else None,
        "wire_from": expected.source if expected is not None else None,
        "seconds": seconds,
        "bytes": tally.size,
        "rows": tally.rows,
        "verdicts": {str(verdict): count for verdict, count in sorted(tally.verdicts.items())},
        "faults": {kind: count for kind, count in sorted(tally.faults.items()) if count},
        "scans": {str(group): count for group, count in sorted(placing.scans.items())} if placing else {},
        "lost": placing.lost if placing is not None and placing.counted else None,
        "gaps": placing.gaps if placing is not None else 0,
        "restarts": placing.restarts if placing is not None else 0,
        "vanished": line.vanished,
        "framing_errors": line.framing_errors,
        "breaks": line.breaks,
        "bytes_per_s": each[0],
        "rows_per_s": each[1],
        "scans_per_s": each[2],
        "ended": ended,
        "error": error,
        "hints": [{"key": hint.key, "text": hint.text} for hint in hints],
    }


def told(facts: dict[str, Any]) -> list[str]:
    """Say a summary in a few lines for people."""
    unit = UNITS.get(facts["wire"] or "", "row")
    timeless = facts["port"] == "-" or facts["port"].startswith("file:")
    seconds = "" if timeless else f" in {facts['seconds']:.1f} s"
    lines = [f"{counted(facts['bytes'], 'byte')}{seconds}{_rates(facts, unit)}"]
    if facts["verdicts"]:
        rows = ", ".join(f"{count} {WORDS[Verdict(kind)]}" for kind, count in _most(facts["verdicts"]))
        lines.append(f"{counted(facts['rows'], unit)}: {rows}")
    if facts["faults"]:
        faults = ", ".join(f"{kind} {count}" for kind, count in _most(facts["faults"]))
        lines.append(f"A recording would count: {faults}")
    if facts["scans"]:
        scans = " + ".join(str(count) for count in facts["scans"].values())
        lost = "loss cannot be counted" if facts["lost"] is None else f"{facts['lost']} lost"
        gaps = f" in {counted(facts['gaps'], 'gap')}" if facts["gaps"] else ""
        restarts = f", {counted(facts['restarts'], 'restart')}" if facts["restarts"] else ""
        lines.append(f"{scans} scans, {lost}{gaps}{restarts}")
    return lines


def _most(counts: dict[str, int]) -> list[tuple[str, int]]:
    return sorted(counts.items(), key=lambda item: -item[1])


def _rates(facts: dict[str, Any], unit: str) -> str:
    if facts["bytes_per_s"] is None:
        return ""
    return (
        f": {facts['bytes_per_s']:,.0f} bytes/s, {plain(facts['rows_per_s'])} {unit}s/s, "
        f"{plain(facts['scans_per_s'])} scans/s"
    )

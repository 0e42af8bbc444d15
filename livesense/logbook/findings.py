"""What is wrong in a logbook, where, and what to do about it."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from typing import Any

MOST_ALIKE = 20
"""Findings of one kind, run, group and channel that are told one by one; the others are counted."""

FIXES = {
    "file": "the file itself is damaged: use a copy made before, or save its sound runs with"
    " `livesense copy RUN --to FILE`",
    "damaged": "these codes cannot be read, those around them can; fetch them from an earlier copy of the"
    " logbook where there is one",
    "missing": "the other channels can be read one by one with `livesense export --channels`; fetch what is"
    " missing from an earlier copy of the logbook where there is one",
    "overlap": "these scans are in the logbook twice and cannot be told apart; use an earlier copy of it",
    "unaccounted": "take these scans as lost; an earlier copy of the logbook may hold them",
    "gap": "do not trust the number of lost scans of this run; an earlier copy of the logbook may be right",
    "count": "do not trust figures over the whole run before the cause is known; an earlier copy may tell",
    "pyramid": "the codes are not concerned, nor figures and exports; zoomed-out pictures of these scans are"
    " wrong. Use an earlier copy of the logbook where there is one",
    "trend": "the codes are not concerned, nor figures and exports; trends of these scans are not to be had."
    " Use an earlier copy of the logbook where there is one",
    "extent": "do not trust this row; an earlier copy of the logbook may be right",
    "reference": "do not trust what depends on it; an earlier copy of the logbook may be right",
    "leftover": "if a deletion was broken off, `livesense compact` finishes it; else the run's row was lost:"
    " use an earlier copy of the logbook",
}
"""What to do, by kind of finding."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong; ``kind`` is a key of :data:`FIXES`.

    ``first`` and ``scans`` tell the scans concerned; what is None does not apply.
    """

    kind: str
    text: str
    run: int | None = None
    group: int | None = None
    channel: str | None = None
    first: int | None = None
    scans: int | None = None

    @property
    def fix(self) -> str:
        """What to do."""
        return FIXES[self.kind]

    @property
    def where(self) -> str:
        """The place in words; empty for the whole file."""
        parts = [] if self.run is None else [f"run {self.run}"]
        if self.group is not None:
            parts.append(f"group {self.group}")
        if self.channel is not None:
            parts.append(self.channel)
        if self.first is not None:
            last = self.first + (self.scans or 1) - 1
            parts.append(f"scan {self.first}" if last == self.first else f"scans {self.first} to {last}")
        return ", ".join(parts)

    def as_json(self) -> dict[str, Any]:
        """All of it."""
        return asdict(self) | {"fix": self.fix}


class Findings:
    """Collects findings; however many there are, it keeps a bounded number of each sort."""

    def __init__(self) -> None:
        self.kept: list[Finding] = []
        self.total = 0
        self._alike: Counter[tuple[object, ...]] = Counter()

    def add(self, finding: Finding) -> None:
        """Take one in."""
        self.total += 1
        sort = (finding.kind, finding.run, finding.group, finding.channel)
        self._alike[sort] += 1
        if self._alike[sort] <= MOST_ALIKE:
            self.kept.append(finding)

    @property
    def more(self) -> int:
        """How many were counted only."""
        return self.total - len(self.kept)

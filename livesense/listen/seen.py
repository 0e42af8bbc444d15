"""What hints are told from, and what a hint is."""

from __future__ import annotations

from dataclasses import dataclass

from livesense.listen.expected import Expected
from livesense.listen.placing import Placing
from livesense.listen.rows import Verdict
from livesense.listen.tally import Tally

SCANS = (Verdict.GOOD, Verdict.DESCRIPTION, Verdict.UNDESCRIBED, Verdict.REPEATED)
"""Without any of these only words came, or nothing at all."""

SOME_READ = 0.1
"""A smaller share of bytes may be understood by chance: of records with a check of eight bits, one in 256."""


@dataclass(frozen=True, slots=True)
class Hint:
    """One hint: ``key`` for programs, ``text`` for people."""

    key: str
    text: str


@dataclass(frozen=True, slots=True)
class Line:
    """The line that was listened to.

    Attributes
    ----------
    kind
        As of :class:`livesense.link.address.Address`.
    given
        The port as the user wrote it.
    baud
        None where a line has none: sockets, files, pseudo-terminals.
    vanished
        How often the port went away.
    shared
        Other programs that have the port open.
    framing_errors, breaks, overruns
        As the system's driver counts them; None (no overruns) where it does not tell.
    """

    kind: str
    given: str
    baud: int | None
    vanished: int = 0
    shared: tuple[str, ...] = ()
    framing_errors: int | None = None
    breaks: int | None = None
    overruns: int = 0

    @property
    def identify(self) -> str:
        """The command that looks further."""
        tries = " tries the usual rates, and" if self.baud is not None else ""
        return f"`livesense identify {self.given}`{tries} tells what comes"


@dataclass(frozen=True, slots=True)
class Seen:
    """All that hints are told from; ``expected`` and ``placing`` are None while nothing was decoded."""

    line: Line
    tally: Tally
    expected: Expected | None = None
    placing: Placing | None = None

    @property
    def nothing_read(self) -> bool:
        """Whether nothing on the line was understood, or not more than by chance."""
        tally = self.tally
        # Zeros between frames fill an idle line.
        idle = int(tally.histogram[0]) if self.expected is not None and self.expected.wire == "framed" else 0
        return tally.read < SOME_READ * (tally.size - idle) or not any(tally.verdicts[kind] for kind in SCANS)

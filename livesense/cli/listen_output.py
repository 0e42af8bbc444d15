"""What ``livesense listen`` prints: JSON lines, rows as text, or as many as one can read on a terminal."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from livesense.cli.output import print_json, safe
from livesense.listen.pace import Pace
from livesense.listen.rows import UNCOUNTED, Row, Verdict
from livesense.listen.summary import told
from livesense.listen.words import heading, line

if TYPE_CHECKING:
    from livesense.listen.expected import Expected
    from livesense.listen.seen import Line
    from livesense.listen.session import Session

WIDTH = 120
"""Of text that goes elsewhere than to a terminal."""

WIDEST_TEXT = 110

QUIET_S = 3.0
"""A line that says nothing for so long gets its hint before the end."""

UNREAD_S = 5.0
"""So does one on which nothing is understood."""

GREEN, YELLOW, RED, CYAN, BOLD = "32", "33", "31", "36", "1"


def output_for(*, json: bool) -> JsonOutput | TextOutput:
    """Choose by what standard output is."""
    if json:
        return JsonOutput()
    return TextOutput(live=sys.stdout.isatty())


class JsonOutput:
    """One JSON object a line."""

    def begin(self, line: Line) -> None:
        """See :class:`livesense.listening.Output`."""

    def wire(self, expected: Expected) -> None:
        """See :class:`livesense.listening.Output`."""

    def rows(self, rows: Sequence[Row], first: int) -> None:
        """See :class:`livesense.listening.Output`."""
        for number, row in enumerate(rows, start=first):
            print_json(row.as_json(number))
        sys.stdout.flush()

    def link(self, text: str, at_s: float) -> None:
        """See :class:`livesense.listening.Output`."""
        print_json({"kind": "link", "at_s": at_s, "text": text})
        sys.stdout.flush()

    def tick(self, session: Session, line: Line, at_s: float) -> None:
        """See :class:`livesense.listening.Output`."""

    def end(self, facts: dict[str, Any], *, opened: bool) -> None:
        """Print the summary."""
        print_json(facts)


class TextOutput:
    """Rows as text; ``live`` says that somebody looks on."""

    def __init__(self, *, live: bool) -> None:
        self._live = live
        self._colours = live and _takes_colours()
        self._pace = Pace()
        self._headed = False
        self._hinted = False
        self._opened = False

    @property
    def _width(self) -> int:
        # The last column stays empty: some terminals begin a new line when it is filled.
        return shutil.get_terminal_size((WIDTH + 1, 24)).columns - 1

    def _print(self, text: str = "") -> None:
        print(text, flush=self._live)

    def begin(self, line: Line) -> None:
        """See :class:`livesense.listening.Output`."""
        rate = f" at {line.baud} Bd" if line.baud is not None else ""
        ends = "" if line.kind == "file" else "; Ctrl-C ends"
        self._print(f"Listening to {safe(line.given)}{rate}{ends}")

    def wire(self, expected: Expected) -> None:
        """See :class:`livesense.listening.Output`."""
        self._print(
            {
                "bench": f"Expected by the bench file: {expected.wire}",
                "option": f"Expected: {expected.wire}",
                "found": f"By its bytes this is {expected.wire}",
                "assumed": f"The first bytes look like nothing known; they are looked at as {expected.wire}",
            }[expected.source]
        )

    def rows(self, rows: Sequence[Row], first: int) -> None:
        """See :class:`livesense.listening.Output`."""
        for row in rows:
            if self._live and not self._pace.shows(row):
                continue
            if not self._headed:
                self._headed = True
                self._print(self._coloured(heading(self._width), BOLD))
            lead, words, behind = line(row, self._width)
            print(f"{safe(lead)}{self._coloured(safe(words), _colour(row))}{safe(behind)}")
        sys.stdout.flush()

    def link(self, text: str, at_s: float) -> None:
        """See :class:`livesense.listening.Output`."""
        self._print(f"{at_s:8.3f} {safe(text)}")

    def tick(self, session: Session, line: Line, at_s: float) -> None:
        """See :class:`livesense.listening.Output`."""
        if not self._live:
            return
        if left_out := self._pace.left_out(at_s):
            self._print(f"         … {left_out}")
        if self._hinted or line.kind in {"file", "stdin"}:
            return
        silent = not session.tally.size and at_s >= QUIET_S
        unread = session.tally.size > 0 and not session.tally.well and at_s >= UNREAD_S
        if silent or unread:
            self._hinted = True
            self._hints("So far", [(hint.key, hint.text) for hint in session.hints(line)])

    def _hints(self, title: str, hints: Sequence[tuple[str, str]]) -> None:
        if not hints:
            return
        self._print(self._coloured(title, BOLD))
        width = min(self._width, WIDEST_TEXT)
        for _, text in hints:
            self._print(textwrap.fill(safe(text), width, initial_indent="  - ", subsequent_indent="    "))

    def end(self, facts: dict[str, Any], *, opened: bool) -> None:
        """Print the summary and the hints."""
        hints = [(hint["key"], hint["text"]) for hint in facts["hints"]]
        if not opened:
            self._told_elsewhere(facts, hints)
            return
        if self._live and (left_out := self._pace.left_out(None)):
            self._print(f"         … {left_out}")
        self._print()
        width = min(self._width, WIDEST_TEXT)
        for text in told(facts):
            self._print(textwrap.fill(text, width, subsequent_indent="    "))
        if self._pace.hidden:
            self._print(f"{self._pace.hidden} rows were not shown here; --json, or a pipe, gives all")
        self._hints("Hints", hints)

    def _told_elsewhere(self, facts: dict[str, Any], hints: Sequence[tuple[str, str]]) -> None:
        """Keep standard output free for a port that was never open."""
        for _, text in hints:
            print(textwrap.fill(safe(text), WIDEST_TEXT, subsequent_indent="    "), file=sys.stderr)

    def _coloured(self, text: str, colour: str) -> str:
        return f"\x1b[{colour}m{text}\x1b[0m" if self._colours else text


def _colour(row: Row) -> str:
    if row.verdict is Verdict.GOOD:
        return GREEN
    if row.well:
        return CYAN
    return YELLOW if row.verdict in UNCOUNTED else RED


def _takes_colours() -> bool:
    """Whether the terminal takes colours and the user has nothing against them (no-color.org)."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    # Old Windows consoles print the codes; the newer terminal says that it is one.
    return os.name != "nt" or bool(os.environ.get("WT_SESSION"))

"""What to look at next, told from what came: pure functions of counts and bytes.

Most of it is how a line at a bench usually fails (common practice, no source). A hint names what was seen,
then what is likely wrong, then what to do; none claims more than the bytes show.
"""

from __future__ import annotations

from collections.abc import Iterator

from livesense.listen import readable
from livesense.listen.seen import Hint, Line, Seen
from livesense.listen.unreadable import silence, unreadable
from livesense.wording import counted


def hints(seen: Seen) -> list[Hint]:
    """Give hints, the most telling first; empty where all is well."""
    return list(_hints(seen))


def _hints(seen: Seen) -> Iterator[Hint]:
    if seen.line.vanished:
        yield _vanished(seen.line)
    if seen.line.shared:
        yield Hint(
            "shared",
            f"The port is open in {', '.join(seen.line.shared)} too: each program gets a part of the "
            "bytes only. Close it there",
        )
    if seen.line.overruns:
        yield Hint(
            "overruns",
            f"The driver lost bytes {counted(seen.line.overruns, 'time')} before livesense could have "
            "them: this computer was too busy, or the adapter too small for the rate",
        )
    if not seen.tally.size:
        yield silence(seen.line)
    elif seen.nothing_read:
        yield from unreadable(seen)
    else:
        yield from readable.unfinished(seen)
        yield from readable.refused(seen)
        yield from readable.damaged(seen)
        yield from readable.scans(seen)


def _vanished(line: Line) -> Hint:
    times = "once" if line.vanished == 1 else f"{line.vanished} times"
    if line.kind != "device":
        return Hint(
            "vanished", f"The other side closed the connection {times}: look at the program that sends"
        )
    return Hint(
        "vanished",
        f"The port went away {times}: a loose cable or hub, a supply that breaks down when the motor "
        "starts, or firmware that restarts its USB",
    )

"""Hints where frames, lines or records come, and something about them is not as it should be."""

from __future__ import annotations

from collections.abc import Iterator

from livesense.listen import layouts
from livesense.listen.checksums import found_instead
from livesense.listen.rows import Verdict
from livesense.listen.seen import Hint, Seen
from livesense.listen.tally import Tally
from livesense.listen.unreadable import columns, other_checksum
from livesense.wording import counted

SOME_GOOD = 10
"""Rows that must be good before a few damaged ones are called noise."""

MUCH_DAMAGE = 0.1

USUAL = 0.05
"""A length is usual that so many good rows have."""


def unfinished(seen: Seen) -> Iterator[Hint]:
    """Tell what is missing where the line works, but no scan can be taken."""
    of, tally = seen.tally.verdicts, seen.tally
    if of[Verdict.GOOD] or of[Verdict.REPEATED]:
        return
    if of[Verdict.UNDESCRIBED] and not of[Verdict.DESCRIPTION]:
        yield Hint(
            "no_description",
            "Scans come, but nothing says what they are: let the device describe itself about once a "
            "second, or declare [[group]] tables in the bench file (docs/wire.md)",
        )
    elif of[Verdict.DESCRIPTION] and not of[Verdict.UNDESCRIBED] and not tally.damaged:
        yield Hint(
            "only_descriptions",
            "The device describes itself, so port, rate and wiring are right; but no scan comes: its "
            "sampling has not started",
        )


def refused(seen: Seen) -> Iterator[Hint]:
    """Tell of frames that arrived whole, and that the rules refuse."""
    of, samples = seen.tally.verdicts, seen.tally.samples
    if of[Verdict.UNKNOWN_GROUP]:
        yield Hint(
            "unknown_group",
            f"Scans of a group that nothing describes: {samples[Verdict.UNKNOWN_GROUP][0].why}",
        )
    whole = [row for row in samples.get(Verdict.LENGTH, ()) if row.words == "no whole scans"]
    if whole:
        yield Hint(
            "no_whole_scans",
            f"Packets do not fit what is described: {whole[0].why}. Are code type and channels what is sent?",
        )
    if of[Verdict.UNKNOWN_KIND]:
        yield Hint("unknown_kind", f"Frames of an unknown kind: {samples[Verdict.UNKNOWN_KIND][0].why}")
    if of[Verdict.BAD_DESCRIPTION]:
        yield Hint(
            "bad_description",
            "A description makes no sense: it has to be JSON as in docs/wire.md, with groups, code and "
            "channels",
        )
    if of[Verdict.MISFIT]:
        yield columns(seen)


def damaged(seen: Seen) -> Iterator[Hint]:
    """Tell what damages some of the rows."""
    tally = seen.tally
    hurt = sum(tally.bad_sizes.values()) + tally.faults["bad_record"]
    if not hurt:
        return
    instead = found_instead([row.raw for row in tally.samples.get(Verdict.CRC, ())])
    if instead is not None:
        yield other_checksum(instead)
        return
    every = hurt + tally.well
    share = f"{hurt} of {every} are damaged"
    if hurt > MUCH_DAMAGE * every or tally.good < SOME_GOOD:
        rate = "rates that differ by some percent; " if seen.line.baud is not None else ""
        yield Hint(
            "much_damage",
            f"{share}: {rate}bytes that are dropped (a buffer that overflows in the board, a hub); a "
            "line that is too long or picks up the switching of the drive",
        )
    elif _short(tally) > 0.5:
        yield Hint(
            "bytes_missing",
            f"{share}, most of them too short: bytes are dropped on the way. Look at the board's send "
            "buffer (does it overflow?), at hubs, and at what rate the adapter carries",
        )
    else:
        yield Hint(
            "noise",
            f"{share}, here and there: noise on the line. Keep it short and away from the phases, twist "
            "it with its 0 V, join 0 V at one place, or lower the rate",
        )


def _short(tally: Tally) -> float:
    """Share of damaged rows that are shorter than those that are good; 0 where these differ in length."""
    usual = [size for size, count in tally.good_sizes.items() if count > USUAL * tally.good]
    if not usual or len(usual) > 4:
        return 0.0
    bad = tally.bad_sizes
    short = sum(count for size, count in bad.items() if size not in usual and size < max(usual))
    return short / max(1, sum(bad.values()))


def scans(seen: Seen) -> Iterator[Hint]:
    """Tell what the counters show."""
    tally, placing = seen.tally, seen.placing
    if placing is None:
        return
    if placing.restarts:
        yield Hint(
            "restarts",
            f"The device began to count anew {counted(placing.restarts, 'time')}: a reset (a supply that "
            "breaks down, a watchdog, a port that was opened)",
        )
    if repeated := tally.faults["repeated"]:
        yield Hint(
            "repeated",
            f"{counted(repeated, 'packet')} came twice or too late: does the firmware send a buffer "
            "again, or out of order?",
        )
    if placing.lost and not tally.damaged and not seen.line.vanished:
        yield Hint(
            "lost",
            f"By the counter {counted(placing.lost, 'scan')} did not come, though nothing was damaged: "
            "the board does not get all out. `livesense init --link` tells what a line carries",
        )
    if beyond := tally.faults["code_range"]:
        told = None
        if seen.expected is not None:
            told = layouts.compared(seen.expected.layout, tally.sample)
        yield Hint(
            "code_range",
            f"{counted(beyond, 'code')} beyond the width that is stated: are bits, byte order and code "
            "type right?" + (f" {told}" if told else ""),
        )

"""What to look at next, told from what came: pure functions of counts and bytes.

Most of it is how a line at a bench usually fails (common practice, no source). A hint names what was seen,
then what is likely wrong, then what to do; none claims more than the bytes show.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from livesense.identify.finding import identify
from livesense.listen import layouts
from livesense.listen.baud import likely_rates
from livesense.listen.checksums import found_instead
from livesense.listen.expected import Expected, looks_like_text
from livesense.listen.placing import Placing
from livesense.listen.rows import Verdict
from livesense.listen.tally import Tally
from livesense.wording import counted

FEW_BYTES = 64

NEARLY_ALL = 0.95

SOME_GOOD = 10
"""Rows that must be good before a few damaged ones are called noise."""

MUCH_DAMAGE = 0.1


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
    seconds
        How long it was listened to.
    vanished
        How often the port went away.
    """

    kind: str
    given: str
    baud: int | None
    seconds: float
    vanished: int = 0

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
        """Whether nothing on the line was understood."""
        of = self.tally.verdicts
        return not (
            of[Verdict.GOOD] or of[Verdict.DESCRIPTION] or of[Verdict.UNDESCRIBED] or of[Verdict.REPEATED]
        )


def hints(seen: Seen) -> list[Hint]:
    """Give hints, the most telling first; empty where all is well."""
    return list(_hints(seen))


def _hints(seen: Seen) -> Iterator[Hint]:
    if seen.line.vanished:
        yield _vanished(seen.line)
    if not seen.tally.size:
        yield _silence(seen.line)
        return
    if seen.nothing_read:
        yield from _unreadable(seen)
        return
    yield from _unfinished(seen)
    yield from _refused(seen)
    yield from _damaged(seen)
    yield from _scans(seen)


def _vanished(line: Line) -> Hint:
    times = "once" if line.vanished == 1 else f"{line.vanished} times"
    if line.kind != "device":
        return Hint(
            "vanished", f"The other side closed the connection {times}: look at the program that sends"
        )
    return Hint(
        "vanished",
        f"The port went away {times}: a loose cable or hub, a supply that breaks down when the motor starts, or "
        "firmware that restarts its USB",
    )


def _silence(line: Line) -> Hint:
    if line.kind == "file":
        return Hint("silence", "The file is empty")
    if line.kind == "stdin":
        return Hint("silence", "Nothing was piped in")
    if line.kind != "device":
        return Hint("silence", "Connected, but the other side sends nothing: has it started to sample?")
    if line.baud is None:
        return Hint(
            "silence",
            "Nothing came from this pseudo-terminal: is the program at its other end running, and sampling?",
        )
    return Hint(
        "silence",
        "Nothing came, not even garbage, so the rate is not to blame. Is the board powered and out of reset, and "
        "its sampling started? Is this the right port (unplug the board and see which one leaves "
        "`livesense ports`)? Does the board's TX go to the adapter's RX (they are easily swapped), and is their "
        "0 V joined? Does the firmware wait for a command before it sends (on_open in the bench file)?",
    )


# Nothing was understood


def _unreadable(seen: Seen) -> Iterator[Hint]:
    tally, line = seen.tally, seen.line
    zeros, ones = (float(tally.histogram[byte]) / tally.size for byte in (0x00, 0xFF))
    if zeros >= NEARLY_ALL:
        yield _zeros(line)
        return
    if ones >= NEARLY_ALL:
        yield _ones(line)
        return
    if tally.size < FEW_BYTES:
        yield Hint(
            "few_bytes",
            f"Only {counted(tally.size, 'byte')} came: too few to tell what they are; listen longer",
        )
        return
    other = [*_other_wire(seen), *_own_wire(seen)]
    if other:
        yield from other
        return
    yield _garbage(seen)


def _zeros(line: Line) -> Hint:
    if line.baud is None:
        return Hint(
            "zeros",
            "Only zero bytes came. The framed wire ends frames with them, and may fill an idle line with them: "
            "has sampling started?",
        )
    return Hint(
        "zeros",
        f"Only zero bytes came: the board sends at a rate far below {line.baud} Bd (a ninth or less), or the line "
        "is low for long: TX not connected or inverted, 0 V not joined, or a board without power that pulls it "
        f"down. {line.identify}",
    )


def _ones(line: Line) -> Hint:
    if line.baud is None:
        return Hint(
            "ones", f"Only FF bytes came: no wire that livesense knows sends these alone. {line.identify}"
        )
    return Hint(
        "ones",
        f"Nearly only FF bytes came: short dips on a line that is high. The board sends far faster than "
        f"{line.baud} Bd, or the line is open and picks up the switching of the drive: look at TX and 0 V. "
        f"{line.identify}",
    )


def _other_wire(seen: Seen) -> Iterator[Hint]:
    """Another wire than the expected one, when its rules hold."""
    data = bytes(seen.tally.latest)
    found = identify(data, None)
    expected = seen.expected.wire if seen.expected is not None else None
    wire = found.wire or ("text" if looks_like_text(data) else None)
    if wire is None or wire == expected:
        return
    what = {
        "framed": "frames with the right checksum",
        "text": "lines of text",
        "record": "records of one length",
    }[wire]
    asked = f", where the {expected!r} wire is expected" if expected else ""
    state = (
        "change wire in the [link] table of the bench file"
        if seen.expected is not None and seen.expected.source == "bench"
        else f"listen with --wire {wire}"
    )
    evidence = f" ({found.evidence[0]})" if found.wire is not None and found.evidence else ""
    yield Hint(f"wire_{wire}", f"These are {what}{asked}{evidence}: {state}; {seen.line.identify}")


def _own_wire(seen: Seen) -> Iterator[Hint]:
    """What is wrong within the expected wire."""
    if seen.expected is None:
        return
    match seen.expected.wire:
        case "framed":
            instead = found_instead([row.raw for row in seen.tally.samples.get(Verdict.CRC, ())])
            if instead is not None:
                yield _other_checksum(instead)
        case "record":
            told = layouts.compared(seen.expected.layout, bytes(seen.tally.latest))
            if told is not None:
                yield Hint("layout", told)
        case "text":
            if looks_like_text(bytes(seen.tally.latest)):
                yield from _columns(seen)


def _other_checksum(instead: str) -> Hint:
    return Hint(
        "checksum",
        f"The frames hold together, but their checksum is {instead}. Expected is CRC-16/IBM-3740 over kind and "
        "body, low byte first: docs/wire.md has it in C, with a test value",
    )


def _columns(seen: Seen) -> Iterator[Hint]:
    assert seen.expected is not None
    whys = {row.why for row in seen.tally.samples.get(Verdict.BAD_LINE, ())}
    if seen.tally.verdicts[Verdict.MISFIT]:
        misfit = seen.tally.samples[Verdict.MISFIT][0]
        yield Hint(
            "columns",
            f"The header does not fit the bench file: {misfit.why}. Correct column (or name) of these channels, "
            "or the header",
        )
    elif len(whys) == 1 and "expected" in (why := whys.pop()):
        stated = ", ".join(seen.expected.columns)
        yield Hint(
            "columns",
            f"Every line has {why}: {stated}. Print a header line, or name the columns in [link] columns",
        )
    elif whys:
        yield Hint(
            "lines", f"Text comes, but no line is a scan; the first: {sorted(whys)[0]}. {seen.line.identify}"
        )
    else:
        yield Hint("only_notes", "Only words came, and no line of numbers: has sampling started?")


def _garbage(seen: Seen) -> Hint:
    tally, line = seen.tally, seen.line
    lead = f"{counted(tally.size, 'byte')} came, and nothing that livesense knows is in them"
    if line.baud is None:
        return Hint(
            "unreadable",
            f"{lead}: is this the right port, and does the sender speak one of the wires of docs/wire.md? "
            f"{line.identify}",
        )
    rates = likely_rates(bytes(tally.latest), line.baud)
    if not rates:
        return Hint(
            "baud",
            f"{lead}. The first suspect is the rate: does the board send at {line.baud} Bd? Then the wiring: 0 V "
            f"joined, levels that fit, TX not inverted. {line.identify}",
        )
    named = " or ".join(str(rate) for rate in rates[:3])
    if rates[0] < line.baud:
        times = line.baud / rates[0]
        return Hint(
            "baud_too_high",
            f"{lead}, but its bits look as if sent at {named} Bd: this side listens {times:.3g} times too fast. "
            f"Try --baud {rates[0]}; {line.identify}",
        )
    times = rates[0] / line.baud
    return Hint(
        "baud_too_low",
        f"{lead}, but its bits look as if sent faster, at about {named} Bd: this side listens {times:.3g} times "
        f"too slowly. Try --baud {rates[0]}; {line.identify}",
    )


# Something was understood


def _unfinished(seen: Seen) -> Iterator[Hint]:
    of, tally = seen.tally.verdicts, seen.tally
    if of[Verdict.GOOD] or of[Verdict.REPEATED]:
        return
    if of[Verdict.UNDESCRIBED]:
        yield Hint(
            "no_description",
            "Scans come, but nothing says what they are: let the device describe itself about once a second, or "
            "declare [[group]] tables in the bench file (docs/wire.md)",
        )
    elif not tally.damaged:
        yield Hint(
            "only_descriptions",
            "The device describes itself, so port, rate and wiring are right; but no scan comes: its sampling has "
            "not started",
        )


def _refused(seen: Seen) -> Iterator[Hint]:
    """Frames that arrived whole, and that the rules refuse."""
    of, samples = seen.tally.verdicts, seen.tally.samples
    if of[Verdict.UNKNOWN_GROUP]:
        why = samples[Verdict.UNKNOWN_GROUP][0].why
        yield Hint("unknown_group", f"Scans of a group that nothing describes: {why}")
    whole = [row for row in samples.get(Verdict.LENGTH, ()) if row.words == "no whole scans"]
    if whole:
        yield Hint(
            "no_whole_scans",
            f"Packets do not fit what is described: {whole[0].why}. Are code type and channels those that are sent?",
        )
    if of[Verdict.UNKNOWN_KIND]:
        yield Hint("unknown_kind", f"Frames of an unknown kind: {samples[Verdict.UNKNOWN_KIND][0].why}")
    if of[Verdict.BAD_DESCRIPTION]:
        yield Hint(
            "bad_description",
            "A description makes no sense: it has to be JSON as in docs/wire.md, with groups, code and channels",
        )
    if of[Verdict.MISFIT]:
        yield from _columns(seen)


def _damaged(seen: Seen) -> Iterator[Hint]:
    tally = seen.tally
    hurt = sum(tally.bad_sizes.values()) + tally.faults["bad_record"]
    if not hurt:
        return
    all_rows = hurt + tally.well
    instead = found_instead([row.raw for row in tally.samples.get(Verdict.CRC, ())])
    if instead is not None:
        yield _other_checksum(instead)
        return
    share = f"{hurt} of {all_rows}"
    if hurt > MUCH_DAMAGE * all_rows or tally.good < SOME_GOOD:
        rate = " rates that differ by some percent;" if seen.line.baud is not None else ""
        yield Hint(
            "much_damage",
            f"{share} are damaged:{rate} bytes that are dropped (a buffer that overflows in the board, a hub); a "
            "line that is too long or picks up the switching of the drive",
        )
    elif _short(tally) > 0.5:
        yield Hint(
            "bytes_missing",
            f"{share} are damaged, most of them too short: bytes are dropped on the way. Look at the board's send "
            "buffer (does it overflow?), at a hub, and at a rate that the adapter carries",
        )
    else:
        yield Hint(
            "noise",
            f"{share} are damaged, here and there: noise on the line. Keep it away from the phases and short, twist "
            "it with its 0 V, join 0 V at one place, or lower the rate",
        )


def _short(tally: Tally) -> float:
    """Share of damaged rows that are shorter than nearly all that are good; 0 where those differ in length."""
    usual = [size for size, count in tally.good_sizes.items() if count > 0.05 * tally.good]
    if not usual or len(usual) > 4:
        return 0.0
    short = sum(count for size, count in tally.bad_sizes.items() if size not in usual and size < max(usual))
    return short / max(1, sum(tally.bad_sizes.values()))


def _scans(seen: Seen) -> Iterator[Hint]:
    tally, placing = seen.tally, seen.placing
    if placing is None:
        return
    if placing.restarts:
        yield Hint(
            "restarts",
            f"The device began to count anew {counted(placing.restarts, 'time')}: a reset (supply that breaks down, "
            "watchdog, a port that was opened)",
        )
    if tally.faults["repeated"]:
        yield Hint(
            "repeated",
            f"{counted(tally.faults['repeated'], 'packet')} came twice or too late: does the firmware send a buffer "
            "again, or out of order?",
        )
    if placing.lost and not tally.damaged and not seen.line.vanished:
        yield Hint(
            "lost",
            f"{counted(placing.lost, 'scan')} missing by the counter, though nothing came damaged: the board does not "
            "get all out. `livesense init --link` tells what the line carries",
        )
    if tally.faults["code_range"]:
        yield Hint("code_range", _code_range(seen))


def _code_range(seen: Seen) -> str:
    text = (
        f"{counted(tally_range(seen.tally), 'code')} lie beyond the width that is stated: are bits, byte order and "
        "code type right?"
    )
    if seen.expected is not None and seen.expected.layout is not None:
        told = layouts.compared(seen.expected.layout, bytes(seen.tally.latest))
        if told is not None:
            return f"{text} {told}"
    return text


def tally_range(tally: Tally) -> int:
    """Codes out of range."""
    return tally.faults["code_range"]

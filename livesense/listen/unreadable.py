"""Hints where nothing comes, or nothing of it can be read."""

from __future__ import annotations

from collections.abc import Iterator

from livesense.listen import layouts
from livesense.listen.baud import likely_rates
from livesense.listen.checksums import found_instead
from livesense.listen.expected import found_wire, looks_like_text
from livesense.listen.rows import Verdict
from livesense.listen.seen import Hint, Line, Seen
from livesense.wording import counted

FEW_BYTES = 64

NEARLY_ALL = 0.95

SOME_ERRORS = 0.02
"""Share of bytes without a stop bit that speaks for a wrong rate."""


def silence(line: Line) -> Hint:
    """Tell why nothing comes."""
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
        "Nothing came, not even garbage, so the rate is not to blame. Is the board powered, out of "
        "reset, and its sampling started? Is this the right port (unplug the board: which one leaves "
        "`livesense ports`)? Does the board's TX go to the adapter's RX (they are easily swapped), and "
        "is their 0 V joined? Does the firmware wait for a command before it sends (on_open in the "
        "bench file)?",
    )


def unreadable(seen: Seen) -> Iterator[Hint]:
    """Tell why nothing of what comes can be read."""
    tally, line = seen.tally, seen.line
    zeros, ones = (float(tally.histogram[byte]) / tally.size for byte in (0x00, 0xFF))
    if zeros >= NEARLY_ALL:
        yield _zeros(line)
    elif ones >= NEARLY_ALL:
        yield _ones(line)
    elif tally.size < FEW_BYTES:
        yield Hint(
            "few_bytes",
            f"Only {counted(tally.size, 'byte')} came: too few to tell what they are; listen longer",
        )
    else:
        yield from [*_other_wire(seen), *_own_wire(seen)] or [_garbage(seen)]


def _zeros(line: Line) -> Hint:
    if line.baud is None:
        return Hint(
            "zeros",
            "Only zero bytes came. The framed wire ends frames with them, and may fill an idle line "
            "with them: has sampling started?",
        )
    return Hint(
        "zeros",
        f"Only zero bytes came: the board sends at a rate far below {line.baud} Bd (a ninth or less), or "
        "the line stays low: TX not connected or inverted, 0 V not joined, or a board without power "
        f"that pulls it down. {line.identify}",
    )


def _ones(line: Line) -> Hint:
    if line.baud is None:
        return Hint(
            "ones", f"Only FF bytes came: no wire that livesense knows sends these alone. {line.identify}"
        )
    return Hint(
        "ones",
        "Nearly only FF bytes came: short dips on a line that is high. The board sends far faster than "
        f"{line.baud} Bd, or the line is open and picks up the switching of the drive: look at TX and 0 V. "
        f"{line.identify}",
    )


WIRES = {
    "framed": "frames with the right checksum",
    "text": "lines of text",
    "record": "records of one length",
}


def _other_wire(seen: Seen) -> Iterator[Hint]:
    """Name another wire than the expected one, when its rules hold."""
    data = seen.tally.sample
    found = found_wire(data)
    expected = seen.expected
    wire = found.wire or ("text" if looks_like_text(data) else None)
    if wire is None or (expected is not None and wire == expected.wire):
        return
    stated = expected is not None and expected.source in {"bench", "option"}
    asked = f", where {expected.wire} is expected" if expected is not None and stated else ""
    what_to_do = f"listen with --wire {wire}"
    if expected is not None and expected.source == "bench":
        what_to_do = f'set wire = "{wire}" in [link] of the bench file'
    evidence = f" ({found.evidence[0]})" if found.wire is not None and found.evidence else ""
    yield Hint(
        f"wire_{wire}", f"These are {WIRES[wire]}{asked}{evidence}: {what_to_do}. {seen.line.identify}"
    )


def _own_wire(seen: Seen) -> Iterator[Hint]:
    """Tell what is wrong within the expected wire."""
    if seen.expected is None:
        return
    data = seen.tally.sample
    match seen.expected.wire:
        case "framed":
            instead = found_instead([row.raw for row in seen.tally.samples.get(Verdict.CRC, ())])
            if instead is not None:
                yield other_checksum(instead)
        case "record":
            told = layouts.compared(seen.expected.layout, data)
            if told is not None:
                yield Hint("layout", told)
        case "text":
            if looks_like_text(data):
                yield columns(seen)


def other_checksum(instead: str) -> Hint:
    """Say which checksum the frames have."""
    return Hint(
        "checksum",
        f"The frames hold together, but their checksum is {instead}. Expected is CRC-16/IBM-3740 over "
        "kind and body, low byte first: docs/wire.md has it in C, with a test value",
    )


def columns(seen: Seen) -> Hint:
    """Tell why no line of text is a scan."""
    tally = seen.tally
    whys = sorted({row.why for row in tally.samples.get(Verdict.BAD_LINE, ())})
    if tally.verdicts[Verdict.MISFIT]:
        misfit = tally.samples[Verdict.MISFIT][0]
        return Hint(
            "columns",
            f"A header does not fit the bench file: {misfit.why}. Correct column (or name) of these "
            "channels, or the header; a recording ends there",
        )
    if b"\n" not in tally.sample and b"\r" not in tally.sample:
        return Hint("line_end", "Text comes, but its lines end in nothing: LF, CRLF or CR is expected")
    if len(whys) == 1 and ", expected " in whys[0] and seen.expected is not None:
        return Hint(
            "columns",
            f"The lines have {whys[0]} ({', '.join(seen.expected.columns)}): print a header line, or "
            "name all columns in [link] columns",
        )
    if whys:
        return Hint("lines", f"Text comes, but no line is a scan: {whys[0]}. {seen.line.identify}")
    return Hint("only_notes", "Only words came, and no line of numbers: has sampling started?")


def _garbage(seen: Seen) -> Hint:
    tally, line = seen.tally, seen.line
    lead = f"{counted(tally.size, 'byte')} came, and nothing that livesense knows is in them"
    if line.baud is None:
        return Hint(
            "unreadable",
            f"{lead}: is this the right port, and does the sender speak one of the wires of docs/wire.md? "
            f"{line.identify}",
        )
    broken = (line.framing_errors or 0) + (line.breaks or 0)
    if broken > SOME_ERRORS * tally.size:
        lead += f"; {broken} of them had no stop bit, which a wrong rate does"
    rates = likely_rates(tally.sample, line.baud)
    if not rates:
        return Hint(
            "baud",
            f"{lead}. The first suspect is the rate: does the board send at {line.baud} Bd? Then the "
            f"wiring: 0 V joined, levels that fit, TX not inverted. {line.identify}",
        )
    named = " or ".join(str(rate) for rate in rates[:3])
    high = rates[0] < line.baud
    times = line.baud / rates[0] if high else rates[0] / line.baud
    way = "fast" if high else "slowly"
    return Hint(
        "baud_too_high" if high else "baud_too_low",
        f"{lead}. Its bits look as if sent at {named} Bd and heard at {line.baud}, {times:.3g} times too "
        f"{way}: try --baud {rates[0]}. {line.identify}",
    )

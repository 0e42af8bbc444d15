"""A row as one line of text that fits a width; bytes with printable text beside."""

from __future__ import annotations

from livesense.listen.rows import WORDS, Row, Verdict
from livesense.wire.header import printable
from livesense.wording import MINUS, counted

TIME, VERDICT, SIZE = 9, 15, 8
"""Columns of the time, the verdict and the size, each with the space before the next."""

NARROWEST = 60
WIDE = 70
LEAST_BYTES = 4
"""Fewer bytes of a broken row are not worth their place."""


def heading(width: int) -> str:
    """Head of the columns."""
    return cut(f"{'time/s':>{TIME - 1}} {'what':<{VERDICT}}{'bytes':>{SIZE - 2}}  content", width)


def line(row: Row, width: int) -> tuple[str, str, str]:
    """Give a row as the text before its verdict, the verdict, and the text behind it: ``width`` in all."""
    time = "" if row.at_s is None else f"{row.at_s:.3f}"
    words = row.words or WORDS[row.verdict]
    lead = f"{time:>{TIME - 1}} "
    size = f"{row.size:>{SIZE - 2}}  "
    room = max(width, NARROWEST) - len(lead) - VERDICT - len(size)
    behind = " " * (VERDICT - len(words)) + size + cut(_content(row, room), room)
    return lead, words, behind.rstrip()


def _content(row: Row, room: int) -> str:
    if row.verdict in {Verdict.GOOD, Verdict.REPEATED, Verdict.BEHIND}:
        return _scans(row)
    if row.verdict in {Verdict.NOTE, Verdict.DESCRIPTION}:
        text = f"{row.why}: {row.text}" if row.why else row.text
        return printable([text])[0]
    if row.verdict is Verdict.UNDESCRIBED:
        return f"group {row.group}  n {row.counter}  {dump(row.raw, row.size, room - 24)}"
    if row.verdict is Verdict.HEADER:
        return dump(row.raw, row.size, room)
    if row.verdict is Verdict.STUFFING and room < WIDE:
        # The word says nearly as much, and the bytes tell more.
        return dump(row.raw, row.size, room)
    why = f"{printable([row.why])[0]}  " if row.why else ""
    left = room - len(why)
    # Too little room for both: the bytes tell more than half a sentence, unless these are all words.
    shown = dump(row.raw, row.size, left) if left >= 4 * LEAST_BYTES + 4 else ""
    return f"{why}{shown}".rstrip()


def _scans(row: Row) -> str:
    remarks = []
    if row.restarted:
        remarks.append("the device restarted")
    if row.lost:
        remarks.append(f"{row.lost} lost before")
    elif row.lost is None:
        remarks.append("some lost before")
    if row.beyond:
        remarks.append(f"{counted(row.beyond, 'code')} out of range")
    told = f"[{', '.join(remarks)}] " if remarks else ""
    counter = "" if row.counter is None else f"n {row.counter}  "
    many = f"{row.scans} scans  " if row.scans > 1 else ""
    group = f"group {row.group}  " if row.group else ""
    return f"{told}{group}{counter}{many}{codes(row)}"


def codes(row: Row) -> str:
    """Codes of the first scan; a dot for each that follow."""
    return " ".join(f"{value:.10g}" for value in row.first_values).replace("-", MINUS) + (
        " …" if row.scans > 1 else ""
    )


def dump(data: bytes, size: int, room: int) -> str:
    """Show bytes as text where all are printable, else in hexadecimal with what is printable beside."""
    text = data.rstrip(b"\r\n")
    if text and all(32 <= byte < 127 for byte in text):
        return cut(text.decode("ascii") + ("…" if size > len(data) else ""), room)
    count = min(len(data), max(1, (room - 4) // 4))
    some = data[:count]
    more = " …" if count < size else ""
    beside = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in some)
    return f"{some.hex(' ').upper()}{more} |{beside}|"


def cut(text: str, room: int) -> str:
    """Cut text to so many characters; an ellipsis stands for the rest."""
    return text if len(text) <= room else text[: max(0, room - 1)] + "…"

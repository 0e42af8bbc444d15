"""Lines of text of unknown columns: which of them count, which are a clock, which are channels."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from livesense.identify.tickers import Ticks, clock_unit, may_be_ms, ticks
from livesense.layout import CLOCKS, COUNTER
from livesense.wire.description import NAME
from livesense.wire.textline import NUMBER, check, split, words

FEWEST = 12
"""Lines needed before anything is said."""

STEADY = 0.9
LOOKED_AT = 1 << 16
DOUBTED = 0.5
"""Confidence where a column may be another thing than its name says."""
COUNTER_BITS = (8, 12, 16, 24, 31, 32)


@dataclass(frozen=True, slots=True)
class FoundLines:
    """What lines of numbers hold.

    Attributes
    ----------
    columns
        Names of all columns in order: of the header where the stream has one, else made up.
    headed
        Whether the stream names its columns itself.
    channels
        The columns that are neither counter nor clock.
    largest, smallest
        Extreme values of the channels.
    whole
        Whether all values of the channels are integers.
    """

    columns: tuple[str, ...]
    headed: bool
    channels: tuple[str, ...]
    checked: bool
    counter_bits: int
    largest: float
    smallest: float
    whole: bool
    fitting: int
    lines: int
    clock_rate_hz: float | None
    confidence: float
    evidence: tuple[str, ...]


def find_lines(data: bytes, seconds: float | None = None) -> FoundLines | None:
    """Find columns of numbers in text; None where most lines are something else.

    ``seconds`` is how long the bytes took to come, None where there is no clock.
    """
    if b"\n" not in data:
        data = data.replace(b"\r", b"\n")
    lines = [line.rstrip(b"\r") for line in data[:LOOKED_AT].split(b"\n")[1:-1]]
    lines = [line for line in lines if line.strip()]
    if len(lines) < FEWEST:
        return None
    headers: list[tuple[str, ...]] = []
    checked = 0
    rows: list[list[bytes]] = []
    # The very first line may be torn, but it may be the only header too.
    first = data.split(b"\n", 1)[0].rstrip(b"\r").removeprefix(b"\xef\xbb\xbf")
    for line in [first, *lines]:
        content, right = check(line)
        if content.lstrip(b" ").startswith(b"#"):
            continue
        fields = split(content)
        if fields and all(NUMBER.fullmatch(field) for field in fields):
            checked += right is True
            if line is not first and right is not False:
                rows.append(fields)
        elif (names := words(fields)) is not None and all(NAME.fullmatch(name) for name in names):
            headers.append(tuple(names))
    if not rows:
        return None
    widths, counts = np.unique([len(row) for row in rows], return_counts=True)
    width = int(widths[np.argmax(counts)])
    fitting = [row for row in rows if len(row) == width]
    if len(fitting) < FEWEST or len(fitting) < 0.6 * len(lines):
        return None
    values = np.array([[float(field) for field in row] for row in fitting])
    fit = [names for names in [*headers, *_later_headers(data)] if len(names) == width]
    header = _header(fit)
    other = next((names for names in fit if not _alike(names, header)), None)
    whole = [all(b"." not in row[n] and b"e" not in row[n].lower() for row in fitting) for n in range(width)]
    size = sum(map(len, lines)) / len(lines) + 1
    lines_per_s = seconds and len(lines) / seconds
    if headers == [header] and words(split(check(first)[0])) is not None and whole[0]:
        # The only header came first, perhaps without its beginning.
        header = (_whole_name(header[0], values[:, 0], size, lines_per_s), *header[1:])
    found = _described(values, whole, header, checked, len(lines), size, lines_per_s)
    return found if other is None else _doubted(found, other)


def _later_headers(data: bytes) -> Iterator[tuple[str, ...]]:
    """Give headers behind the lines that are looked at."""
    for line in data[LOOKED_AT:].split(b"\n")[1:-1]:
        if line[:1].isalpha() and (names := words(split(check(line.rstrip(b"\r"))[0]))) is not None:
            yield tuple(names)


def _header(headers: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """Name each column as most headers do, of as many the latest: some may be torn or damaged.

    Words alone in a line may be a note too: headers are those that are like the one that names a counter or
    clock, or else like the first.
    """
    if not headers:
        return ()
    known = (names for names in headers if _names_ticker(names))
    one = next(known, headers[0])
    latest_first = [
        list(names) for names in zip(*(h for h in reversed(headers) if _alike(h, one)), strict=True)
    ]
    return tuple(max(names, key=names.count) for names in latest_first)


def _names_ticker(names: Sequence[str]) -> bool:
    return not {COUNTER, *CLOCKS}.isdisjoint(names)


def _alike(one: Sequence[str], other: Sequence[str]) -> bool:
    """Whether two lines of words name some column alike, perhaps without its beginning."""
    return any(a.endswith(b) or b.endswith(a) for a, b in zip(one, other, strict=True))


def _doubted(found: FoundLines, other: Sequence[str]) -> FoundLines:
    """Say that other words stand in lines of their own too; which are the header, may be doubtful."""
    said = f"other words stand in a line too: {' '.join(other)}; taken as a note"
    if _names_ticker(found.columns):
        return replace(found, evidence=(*found.evidence, said))
    said += ", or else the names of the columns, state which"
    return replace(found, evidence=(*found.evidence, said), confidence=min(found.confidence, DOUBTED))


def _whole_name(name: str, column: NDArray[np.float64], size: float, lines_per_s: float | None) -> str:
    """Give a clock its whole name, where the line that names it was torn."""
    likely = [clock for clock in CLOCKS if clock.endswith(name)]
    found = _ticks(column) if likely and name not in CLOCKS else None
    if found is None:
        return name
    unit, _ = clock_unit(found.step, size, lines_per_s, text=True)
    return unit if unit in likely else name


def _described(
    values: NDArray[np.float64],
    whole: list[bool],
    header: tuple[str, ...],
    checked: int,
    lines: int,
    size: float,
    lines_per_s: float | None,
) -> FoundLines:
    width = values.shape[1]
    evidence = [f"{len(values)} of {lines} lines are {width} numbers"]
    names = list(header) or [""] * width
    counter, bits = next(
        ((n, b) for n in range(width) if whole[n] and (b := _counts(values[:, n])) is not None), (None, 32)
    )
    clock = None
    if header:
        evidence.append(f"a header names the columns: {', '.join(header)}")
        if COUNTER in header:
            counter = header.index(COUNTER)
            bits = _counts(values[:, counter]) or 32
        else:
            counter = None
        clock = next((header.index(name) for name in CLOCKS if name in header), None)
    else:
        clock = next((n for n in range(width) if n != counter and whole[n] and _ticks(values[:, n])), None)
    sure = bool(header)
    rate_hz = None
    if counter is not None:
        names[counter] = COUNTER
        evidence.append(f"column {counter + 1} goes up by 1 from line to line: a counter of {bits} bits")
    if clock is not None:
        found = _ticks(values[:, clock])
        step = found.step if found is not None else 0.0
        if not header:
            names[clock], sure = clock_unit(step, size, lines_per_s, text=True)
            evidence.append(
                f"column {clock + 1} goes up by nearly {step:.4g} from line to line: "
                f"a clock, taken as {names[clock]}"
            )
        rate_hz = (1e6 if names[clock] == "t_us" else 1e3) / step if step > 0 else None
    spare = iter(range(1, width + 1))
    columns = tuple(name or f"a{next(spare)}" for name in names)
    taken = {counter, clock}
    at = [n for n in range(width) if n not in taken]
    channels = tuple(columns[n] for n in at)
    if checked:
        evidence.append(f"{checked} lines end in a checksum *hh that is right")
    share = len(values) / lines
    confidence = round(
        (0.97 if header or checked else 0.9) * min(1.0, share + 0.05) * (0.8 + 0.2 * min(1.0, lines / 50)), 2
    )
    if clock is not None and not header and _counts(values[:, clock]) is not None:
        # Two columns go up by one: which of them counts, nothing tells.
        sure = False
    if clock is not None and not sure:
        confidence = min(confidence, 0.85)
    if counter is not None and clock is None and not header and may_be_ms(lines_per_s):
        evidence.append(
            f"column {counter + 1} may as well be a clock in milliseconds, if a thousand lines come a second"
        )
        confidence = min(confidence, 0.85 if lines_per_s is None else DOUBTED)
    for column in _unnamed_tickers(values, whole, names, header):
        evidence.append(
            f"column {column + 1} goes up steadily, as a counter or a clock does, but is named "
            f"{names[column]!r}: it may be one, or else a channel, state which"
        )
        confidence = min(confidence, DOUBTED)
    if not header:
        evidence.append("no header: the names of the channels are made up")
    of = values[:, at] if at else np.zeros((1, 1))
    return FoundLines(
        columns,
        bool(header),
        channels,
        bool(checked),
        bits if counter is not None else 32,
        float(of.max()),
        float(of.min()),
        all(whole[n] for n in at),
        len(values),
        lines,
        rate_hz,
        confidence,
        tuple(evidence),
    )


def _unnamed_tickers(
    values: NDArray[np.float64], whole: list[bool], names: Sequence[str], header: Sequence[str]
) -> list[int]:
    """Columns that go up by themselves, though the header does not call them counter or clock."""
    if not header:
        return []
    plain = [n for n, name in enumerate(names) if whole[n] and name not in (COUNTER, *CLOCKS)]
    return [n for n in plain if _ticks(values[:, n]) is not None]


def _steps(column: NDArray[np.float64]) -> NDArray[np.float64]:
    steps: NDArray[np.float64] = np.diff(column)
    return steps


def _counts(column: NDArray[np.float64]) -> int | None:
    """Bits of a counter that goes up by one; None where the column is none."""
    steps = _steps(column)
    # A clock of milliseconds goes up by one too at a thousand lines a second, but not always.
    if np.mean(steps == 1) < STEADY or np.count_nonzero(steps == 0) > 1:
        return None
    back = steps[steps < 0]
    for bits in COUNTER_BITS:
        if column.max() < 1 << bits and len(back) and np.any(back == 1 - (1 << bits)):
            return bits
    return 32 if column.max() < 1 << 32 else 62


def _ticks(column: NDArray[np.float64]) -> Ticks | None:
    """Tell how a clock goes up, modulo 2^32; None where a column is none."""
    if column.min() < 0 or column.max() >= 1 << 53:
        return None
    return ticks(column.astype(np.int64) & 0xFFFFFFFF, 4)

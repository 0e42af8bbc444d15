"""COMTRADE records (IEEE C37.111-1991, -1999, -2013; IEC 60255-24): ``.cfg`` and ``.dat``, or ``.cff``."""

from __future__ import annotations

import re
from collections import Counter
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import numpy as np

from livesense.errors import UsageError
from livesense.recordings.comtrade_data import Place, Samples
from livesense.recordings.comtrade_settings import Settings, read_settings
from livesense.recordings.raster import stretches_of
from livesense.recordings.recording import (
    PIECE_ROWS,
    RecordedChannel,
    Recording,
    Stretch,
    bus_by_name,
    in_base_unit,
    legal_names,
    phase_by_name,
    phase_of,
)

LARGEST_SETTINGS = 4 << 20
_SECTION = re.compile(
    rb"^--- *file type: *([A-Za-z]+)(?: +([A-Za-z0-9]+))?(?: *: *(\d+))? *---[ \r]*\n", re.M | re.I
)


def open_comtrade(path: Path, stack: ExitStack) -> Recording:
    """Open a record by its ``.cfg``, ``.dat`` or ``.cff``; what is opened is closed with ``stack``.

    Raises
    ------
    UsageError
        It is no record, or states what cannot be.
    """
    if path.suffix.lower() == ".cff":
        settings, place = _combined(path)
    else:
        configuration = _beside(path, ".cfg")
        settings = read_settings(_text(configuration.read_bytes()[:LARGEST_SETTINGS]), configuration)
        place = Place(_beside(path, ".dat"))
    samples = Samples(settings, place, stack)
    names = legal_names([*(line.name for line in settings.analog), *(line.name for line in settings.status)])
    notes = list(samples.notes)
    if samples.missing:
        notes.append(f"{samples.missing} values are missing in the file: they are no numbers here")
    stretches = _stretches(settings, samples, path, notes)
    return Recording(
        kind="comtrade",
        title=settings.station,
        device=settings.device,
        started_wall_s=settings.started_wall_s,
        channels=_channels(settings, names, notes),
        code=samples.code,
        stretches=stretches,
        read=samples.read,
        notes=tuple(notes),
        about={"revision": settings.revision, "data": settings.kind, "zone": settings.has_zone},
    )


def _beside(path: Path, suffix: str) -> Path:
    """Find the file of a record that has this suffix, in capitals or not."""
    for name in (suffix, suffix.upper(), suffix.capitalize()):
        found = path.with_suffix(name)
        if found.is_file():
            return found
    raise UsageError(
        f"{path}: expected the pair {path.with_suffix('.cfg').name} and {path.with_suffix('.dat').name}, "
        f"found no {path.with_suffix(suffix).name} beside it"
    )


def _text(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _combined(path: Path) -> tuple[Settings, Place]:
    """Find the parts of a combined file."""
    with path.open("rb") as file:
        begin = file.read(LARGEST_SETTINGS)
    parts = list(_SECTION.finditer(begin))
    kinds = {match.group(1).decode("ascii").upper(): number for number, match in enumerate(parts)}
    if "CFG" not in kinds or "DAT" not in kinds:
        raise UsageError(
            f"{path.name}: expected the sections CFG and DAT, found {', '.join(kinds) or 'none'}: it is no "
            "combined COMTRADE file"
        )
    first = parts[kinds["CFG"]]
    after = parts[kinds["CFG"] + 1].start() if kinds["CFG"] + 1 < len(parts) else len(begin)
    settings = read_settings(_text(begin[first.end() : after]), path)
    data = parts[kinds["DAT"]]
    stated = data.group(3)
    length = int(stated) if stated else None
    if length is None and kinds["DAT"] + 1 < len(parts):
        length = parts[kinds["DAT"] + 1].start() - data.end()
    return settings, Place(path, data.end(), length)


def _channels(settings: Settings, names: list[str], notes: list[str]) -> tuple[RecordedChannel, ...]:
    circuits = _circuits(settings)
    found = []
    secondary = 0
    for number, (line, name) in enumerate(zip(settings.analog, names, strict=False)):
        unit, factor = in_base_unit(line.unit)
        phase = phase_of(line.phase)
        assumed: tuple[str, ...] = ()
        if phase is None and not line.phase and unit in ("A", "V"):
            phase = "bus" if bus_by_name(line.name) else phase_by_name(re.split(r"[ _]", line.name)[0])
            assumed = ("phase",) if phase else ()
        secondary += line.side == "S" and line.primary != line.secondary
        found.append(
            RecordedChannel(
                name=name,
                shown=line.name,
                unit=unit,
                scale=(line.a or 1.0) * factor,
                zero=-line.b / (line.a or 1.0),
                phase=phase if unit in ("A", "V") else None,
                circuit=circuits[number],
                delay_s=line.skew_us * 1e-6 if line.skew_us > 0 else 0.0,
                assumed=assumed,
            )
        )
        if not line.a:
            notes.append(f"{name}: its multiplier is 0, which is taken as 1")
        if line.skew_us < 0:
            notes.append(f"{name}: a time skew of {line.skew_us:g} µs is not taken into account")
    if secondary:
        notes.append(
            f"{secondary} channels are values of the instrument transformers' secondary side, and stay those"
        )
    for status, name in zip(settings.status, names[len(settings.analog) :], strict=True):
        found.append(RecordedChannel(name, status.name, state=True))
    return tuple(found)


def _circuits(settings: Settings) -> list[str]:
    """Tell several sets of phases apart: by the circuit component that the file states, or their order."""
    lines = settings.analog
    seen: Counter[tuple[str, str | None]] = Counter()
    order = []
    for line in lines:
        key = in_base_unit(line.unit)[0], phase_of(line.phase)
        seen[key] += 1
        order.append(f"set {seen[key]}")
    several = any(count > 1 for (unit, phase), count in seen.items() if phase and unit in ("A", "V"))
    if not several:
        return [""] * len(lines)
    stated = Counter((in_base_unit(line.unit)[0], phase_of(line.phase), line.circuit) for line in lines)
    told = all(count == 1 for (unit, phase, _), count in stated.items() if phase and unit in ("A", "V"))
    return [line.circuit if told else place for line, place in zip(lines, order, strict=True)]


def _stretches(settings: Settings, samples: Samples, path: Path, notes: list[str]) -> tuple[Stretch, ...]:
    if any(rate_hz == 0 for rate_hz, _ in settings.sections):
        if len(settings.sections) > 1:
            raise UsageError(f"{path.name}: expected a rate for each of its sections, found one without")
        return stretches_of(samples.stamps() * settings.stamp_s, path.name)
    declared = settings.sections[-1][1]
    rows = samples.rows
    if rows != declared:
        what = "the rest is not there" if rows < declared else "what is beyond was left out"
        notes.append(f"the configuration declares {declared} samples, the data file has {rows}: {what}")
        rows = min(rows, declared)
    found: list[Stretch] = []
    for first, stop, number in _rows_in_a_row(samples, rows, path):
        found += _with_rates(settings, found, first, stop, number)
    return tuple(found)


def _rows_in_a_row(samples: Samples, rows: int, path: Path) -> list[tuple[int, int, int]]:
    """Find rows whose numbers follow on: first, stop, and the number of the first, from 1."""
    cuts: list[int] = []
    last = None
    origin = int(samples.numbers(0, 1)[0])
    for begin in range(0, rows, PIECE_ROWS):
        numbers = samples.numbers(begin, min(begin + PIECE_ROWS, rows))
        steps = np.diff(numbers, prepend=numbers[0] - 1 if last is None else last)
        if (steps <= 0).any():
            at = int(np.argmax(steps <= 0))
            raise UsageError(
                f"{path.name}: expected sample numbers that grow, found {int(numbers[at])} in row "
                f"{begin + at + 1}"
            )
        cuts += [begin + int(at) for at in np.flatnonzero(steps > 1)]
        last = int(numbers[-1])
    edges = [0, *cuts, rows]
    return [(a, b, int(samples.numbers(a, a + 1)[0]) - origin + 1) for a, b in pairwise(edges)]


def _with_rates(
    settings: Settings, before: list[Stretch], first: int, stop: int, number: int
) -> list[Stretch]:
    """Cut rows in a row where the rate changes; ``number`` is that of the first of them, from 1."""
    accounted = sum(stretch.stop - stretch.first + stretch.lost for stretch in before)
    found: list[Stretch] = []
    section_first, section_start_s = 1, 0.0
    for rate_hz, last in settings.sections:
        begin, end = max(number, section_first), min(number + stop - first - 1, last)
        if begin <= end:
            row = first + begin - number
            start_s = section_start_s + (begin - section_first) / rate_hz
            lost = 0 if found else number - 1 - accounted
            found.append(
                Stretch(row, row + end - begin + 1, start_s, rate_hz, lost, follows=bool(found or before))
            )
        section_start_s += (last - section_first + 1) / rate_hz
        section_first = last + 1
    return found

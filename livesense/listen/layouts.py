"""A declared record against the bytes that come: where they differ, byte by byte."""

from __future__ import annotations

import numpy as np

from livesense.bench import parse
from livesense.errors import BenchError
from livesense.identify.finding import identify
from livesense.layout import CHECK_WIDTHS, RecordLayout

FEWEST_WORDS = 8
"""Sync words that must stand evenly before their distance is told."""


def compared(declared: RecordLayout | None, data: bytes) -> str | None:
    """Say how the records that come differ from the declared ones; None where nothing is clear."""
    if declared is None:
        return None
    found = found_layout(data)
    if found is None:
        return _by_sync(declared, data)
    differences = _differences(declared, found)
    if not differences:
        return None
    listed = "; ".join(differences)
    return f"The records that come are not the declared ones: {listed}. What comes fits {text(found)}"


def found_layout(data: bytes) -> RecordLayout | None:
    """Layout of the records in these bytes; None where none is clear."""
    found = identify(data, None)
    if found.wire != "record":
        return None
    try:
        return parse(found.bench.replace('# rate = "', 'rate = "')).link.record
    except BenchError:
        return None


def text(layout: RecordLayout) -> str:
    """Write a layout as a bench file has it, each field with its place."""
    fields = [*layout.channels, *(one for one in (layout.counter, layout.clock) if one is not None)]
    placed = ", ".join(
        f"{one.name}:{one.type} at byte {one.begin}" for one in sorted(fields, key=lambda one: one.begin)
    )
    scans = f", scans = {layout.scans}" if layout.scans > 1 else ""
    check = f', check = "{layout.check}"'
    if layout.check_big != layout.big and layout.check_width > 1:
        check += f', check_endian = "{_endian(layout.check_big)}"'
    if layout.check_over_sync:
        check += ', check_over = "all"'
    return f'sync = "{_hex(layout.sync)}", endian = "{_endian(layout.big)}", {placed}{check}{scans}'


def _differences(declared: RecordLayout, found: RecordLayout) -> list[str]:
    differences = []
    if declared.size != found.size:
        differences.append(f"{found.size} bytes long, declared {declared.size}")
    if declared.sync != found.sync and not _within(declared.sync, found.sync):
        differences.append(f"they begin with {_hex(found.sync)}, declared {_hex(declared.sync)}")
    if declared.check != found.check and found.check != "none":
        begin = found.size - CHECK_WIDTHS[found.check]
        differences.append(f"{found.check} at byte {begin}, declared {declared.check}")
    elif declared.check == found.check != "none":
        if declared.check_big != found.check_big and declared.check_width > 1:
            differences.append(
                f"check_endian {_endian(found.check_big)}, declared {_endian(declared.check_big)}"
            )
        if declared.check_over_sync != found.check_over_sync:
            over = "all" if found.check_over_sync else "fields"
            differences.append(f'the check is over other bytes: check_over = "{over}" fits')
    if declared.big != found.big:
        differences.append(f"endian {_endian(found.big)}, declared {_endian(declared.big)}")
    places = {one.begin: one.width for one in found.channels}
    for one in declared.channels:
        if places and places.get(one.begin) != one.width:
            near = min(places, key=lambda begin: abs(begin - one.begin))
            differences.append(
                f"{one.name} declared as {one.type} at byte {one.begin}, nearest field at byte {near} with "
                f"{places[near]} bytes"
            )
            break
    return differences


def _endian(big: bool) -> str:
    return "big" if big else "little"


def _within(one: bytes, other: bytes) -> bool:
    """Whether the shorter of two sync words begins the longer: a byte that never changes looks like one."""
    return bool(one) and bool(other) and (one.startswith(other) or other.startswith(one))


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _by_sync(declared: RecordLayout, data: bytes) -> str | None:
    """Say how far apart the declared sync words stand."""
    if len(declared.sync) < 2:
        return None
    places = []
    at = data.find(declared.sync)
    while at >= 0:
        places.append(at)
        at = data.find(declared.sync, at + 1)
    if len(places) <= FEWEST_WORDS:
        if not places:
            return (
                f"The sync word {_hex(declared.sync)} does not occur in {len(data)} bytes: are its bytes and "
                "their order right, and is this the right rate?"
            )
        return None
    steps, counts = np.unique(np.diff(places), return_counts=True)
    step = int(steps[np.argmax(counts)])
    if counts.max() < 0.5 * counts.sum():
        return None
    if step != declared.size:
        off = f"{abs(step - declared.size)} too {'few' if declared.size < step else 'many'}"
        return (
            f"The sync word {_hex(declared.sync)} stands every {step} bytes, the declared record has "
            f"{declared.size}: {off} are declared"
        )
    return (
        f"The sync word stands where it should, every {step} bytes, but the check is wrong throughout: "
        f"it is of another kind than {declared.check}, over other bytes, or in another byte order"
    )

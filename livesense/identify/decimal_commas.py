"""Numbers with decimal commas, which the text wire does not read: there a comma parts fields."""

from __future__ import annotations

import re

from livesense.identify.lines import FEWEST, LOOKED_AT, STEADY

DECIMAL_COMMA = re.compile(rb"[+-]?[0-9]+,([0-9]+)")
PARTED = re.compile(rb" *[;\t] *| +")

MOST_PLACES = 6


def has_decimal_commas(data: bytes) -> bool:
    """Whether commas stand inside numbers: one at most in what other separators part, before as many digits.

    Lines of one number each are told by zeros that lead behind the comma and not before it.
    """
    lines = [line.strip() for line in data[:LOOKED_AT].replace(b"\r", b"\n").split(b"\n")[1:-1]]
    rows = [PARTED.split(line) for line in lines if line and line[-1:].isdigit()]
    if len(rows) < FEWEST or sum(b"," in line for line in lines) < STEADY * len(rows):
        return False
    places: list[int] = []
    leading = fitting = 0
    for row in rows:
        found = [DECIMAL_COMMA.fullmatch(part) for part in row if b"," in part]
        if not found or None in found:
            continue
        fitting += 1
        places += [len(match[1]) for match in found if match]
        leading += len(row) == 1 and any(match[1][:1] == b"0" for match in found if match)
    if (
        fitting < STEADY * len(rows)
        or places.count(places[0]) < STEADY * len(places)
        or places[0] > MOST_PLACES
    ):
        return False
    several = sum(len(row) > 1 for row in rows) > STEADY * len(rows)
    whole_zeros = any(
        len(row[0].split(b",")[0].lstrip(b"+-")) > 1 and row[0].lstrip(b"+-")[:1] == b"0" for row in rows
    )
    return several or (leading > 0 and not whole_zeros)

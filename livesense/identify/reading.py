"""A record as it was read, for whoever asks whether it could be read another way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import STEADY, Columns, FoundField, Rows, whole
from livesense.identify.tickers import Ticks

SOURCE = "the firmware's source tells"
"""What to ask, since the bytes do not tell."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A record as it was read.

    ``fields`` are all of it, in order, scans and all; ``going`` are those that go up by themselves.
    """

    rows: Rows
    columns: Columns
    sync: bytes
    end: int
    big: bool
    checked: bool
    fields: Sequence[FoundField]
    going: Mapping[FoundField, Ticks]

    def channels(self) -> list[FoundField]:
        """Fields that are channels."""
        return [one for one in self.fields if one.role == "channel"]

    def value(self, begin: int, width: int) -> NDArray[np.int64]:
        """Unsigned value of some bytes in each record."""
        return whole(self.rows, begin, width, big=self.big)

    def still(self, at: int) -> bool:
        """Whether a byte never changes."""
        column = self.rows[:, at]
        return bool(np.mean(column == column[0]) >= STEADY)


def place(begin: int, width: int) -> str:
    """Name bytes of a record."""
    return f"byte {begin}" if width == 1 else f"bytes {begin}–{begin + width - 1}"

"""A group's scans as a table that is read piece by piece, so that any length takes the same memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from livesense.export.columns import Column, chosen_columns
from livesense.samples import Codes, FloatArray

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

Tell = Callable[[str, int, int], None]
"""Called as work goes on with what is done, how much of it, and out of how much."""

ROWS_AT_ONCE = 1 << 16


def silent(what: str, done: int, total: int) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Some scans in a row: indices and times ``(n,)``, codes ``(n, channels)``.

    ``begins`` tells that it does not follow on from the piece before: the first of all, after lost
    scans, after a restart or a new rate.
    """

    scans: NDArray[np.int64]
    time_s: FloatArray
    codes: Codes
    begins: bool


@dataclass(frozen=True, slots=True)
class Table:
    """What is written of one group: scans ``first`` to ``stop`` (not included), and the columns."""

    run: RunAnalysis
    group: int
    columns: tuple[Column, ...]
    first: int
    stop: int

    def pieces(self, tell: Tell = silent, what: str = "", *, rows: int = ROWS_AT_ONCE) -> Iterator[Piece]:
        """Read the stored scans in order, at most ``rows`` at once; what is lost is not in any piece."""
        reader = self.run.run
        axis = reader.time_axis(self.group)
        cuts = {segment.first for segment in axis.segments}
        cuts |= {gap.first for gap in reader.gaps_between(self.group, self.first, self.stop)}
        ordered = np.array(sorted(cuts), dtype=np.int64)
        expected = -1
        for start, codes in reader.codes(self.group, self.first, self.stop):
            stop = start + len(codes)
            inside = ordered[np.searchsorted(ordered, start, "right") : np.searchsorted(ordered, stop)]
            for cut in (start, *map(int, inside)):
                begins = cut != expected or cut in cuts
                end = int(next((c for c in inside if c > cut), stop))
                for begin in range(cut, end, rows):
                    tell(what, begin - self.first, self.stop - self.first)
                    piece = codes[begin - start : min(begin + rows, end) - start]
                    scans = np.arange(begin, begin + len(piece), dtype=np.int64)
                    yield Piece(scans, axis.time_s(scans), piece, begins and begin == cut)
            expected = stop


def tables(
    run: RunAnalysis,
    *,
    codes: bool = False,
    names: Sequence[str] | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> list[Table]:
    """Tables of a run, or of a half-open stretch of it, one for each group that is written.

    Raises
    ------
    UsageError
        for a channel that the run lacks.
    """
    return [
        Table(run, group, columns, *run.scans_between(group, from_s, to_s))
        for group, columns in chosen_columns(run, names, codes=codes).items()
    ]


def finite(numbers: Any) -> bool:
    """Tell whether all of ``(n,)`` are numbers; integers always are."""
    return bool(np.isfinite(numbers).all())

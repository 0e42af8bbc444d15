"""A run of a dataset as the reader of logbooks has it, so that the same analysis gives the same figures."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from livesense.archive.layout import EXTRA, Entry, GroupFile, file_system, told
from livesense.errors import DamagedBlockError, LogbookError
from livesense.export.needs import needed
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import RunRow
from livesense.logbook.run_reader import RunReader
from livesense.logbook.stretches import Source


class ScansFile:
    """The scans of one group: a Parquet file, read by row groups."""

    def __init__(self, file: Any, group: GroupFile) -> None:
        parquet = needed("pyarrow.parquet", EXTRA, "a dataset")
        self._name = group.file
        try:
            self._file = parquet.ParquetFile(file, page_checksum_verification=True)
        except ValueError as error:
            raise self._damaged(error) from error
        about = self._file.metadata
        if about.num_rows != group.rows:
            raise LogbookError(f"{group.file}: expected {group.rows} scans, found {about.num_rows}")
        scan = self._file.schema_arrow.get_field_index("scan")
        ranges = [about.row_group(n).column(scan).statistics for n in range(about.num_row_groups)]
        self.first = np.array([statistics.min for statistics in ranges], dtype=np.int64)
        self.last = np.array([statistics.max for statistics in ranges], dtype=np.int64)

    @staticmethod
    def columns(names: list[str]) -> list[str]:
        """Name the columns that hold these channels' codes."""
        return [f"{name}_code" for name in names]

    def _damaged(self, error: Exception) -> DamagedBlockError:
        return DamagedBlockError(
            f"{self._name}: expected a Parquet file that is whole, found {str(error)[:120]}; delete "
            "its folder and export the run again"
        )

    def read(
        self, part: int, names: list[str], dtype: np.dtype[Any]
    ) -> tuple[NDArray[np.int64], NDArray[Any]]:
        """Read one row group: indices ``(n,)`` and the codes of these channels, ``(n, channels)``."""
        try:
            found = self._file.read_row_group(part, columns=["scan", *self.columns(names)])
        except (ValueError, OSError) as error:
            raise self._damaged(error) from error
        codes = np.empty((found.num_rows, len(names)), dtype)
        for position, name in enumerate(self.columns(names)):
            codes[:, position] = found.column(name).to_numpy()
        return found.column("scan").to_numpy(), codes

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


@dataclass(frozen=True, slots=True)
class ArchivedSource(Source):
    """Where the codes of an archived group are."""

    file: ScansFile | None = None
    names: tuple[str, ...] = ()

    def _following(self, first: int, lead: int) -> int | None:
        assert self.file is not None
        part = int(np.searchsorted(self.file.last, first))
        if part >= len(self.file.last):
            return None
        scans, _ = self.file.read(part, [], self.dtype)
        return int(scans[np.searchsorted(scans, first)])

    def _range(self, first: int, stop: int, wanted: list[int], clock: bool) -> list[tuple[int, NDArray[Any]]]:
        assert self.file is not None
        if clock:
            raise DamagedBlockError("a dataset does not keep the device's clock; the logbook does")
        found: list[tuple[int, NDArray[Any]]] = []
        begin = int(np.searchsorted(self.file.last, first))
        end = int(np.searchsorted(self.file.first, stop))
        for part in range(begin, end):
            scans, codes = self.file.read(part, [self.names[p] for p in wanted], self.dtype)
            low, high = np.searchsorted(scans, [first, stop])
            scans, codes = scans[low:high], codes[low:high]
            edges = [0, *(np.flatnonzero(np.diff(scans) != 1) + 1).tolist(), len(scans)]
            found += [(int(scans[a]), codes[a:b]) for a, b in pairwise(edges) if b > a]
        return found


class ArchivedRun(RunReader):
    """One run of a dataset; everything but its codes is read from its logbook without scans."""

    def __init__(self, logbook: Logbook, entry: Entry, files: list[ScansFile]) -> None:
        super().__init__(logbook, entry.run)
        self._entry = entry
        self._files = files

    @property
    def row(self) -> RunRow:
        """The run at a glance, as it was when it was written."""
        return replace(super().row, seconds=self._entry.seconds, state=self._entry.state)

    def extent(self, group: int) -> tuple[int, int]:
        """Find the first stored scan index, and the last one + 1."""
        return self._entry.groups[group].first, self._entry.groups[group].stop

    def scans_stored(self, group: int) -> int:
        """Count the scans that were stored."""
        return self._entry.groups[group].stored

    def _source_for(self, group: int, held: np.dtype[Any], channels: int, drops: bool) -> Source:
        names = tuple(
            name
            for (name,) in self._logbook.select(
                "SELECT name FROM channel"
                " WHERE run = ? AND scan_group = ? AND role = 'code' ORDER BY position",
                (self.number, group),
            )
        )
        book = self._logbook
        return ArchivedSource(
            book.select, book.cache, self.number, group, held, channels, drops, self._files[group], names
        )


class ArchivedLogbook(Logbook):
    """A run of a dataset, opened as a logbook that holds just this run; to be closed.

    Raises
    ------
    UsageError, LogbookError
        A file is missing, damaged, or of a newer livesense.
    """

    def __init__(self, dataset: str, entry: Entry) -> None:
        self._stack = ExitStack()
        self._entry = entry
        where, root = file_system(dataset)
        place = f"{root}/{entry.folder}"
        try:
            with told(dataset):
                folder = self._stack.enter_context(tempfile.TemporaryDirectory(prefix="livesense-"))
                facts = Path(folder) / "facts.db"
                where.get_file(f"{place}/{entry.facts}", str(facts))
                self._files = [self._opened(where, place, group) for group in entry.groups]
            super().__init__(facts)
        except BaseException:
            self._stack.close()
            raise
        self._stack.callback(super().close)

    def _opened(self, where: Any, place: str, group: GroupFile) -> ScansFile:
        file = self._stack.enter_context(where.open(f"{place}/{group.file}", "rb"))
        found = ScansFile(file, group)
        self._stack.callback(found.close)
        return found

    @property
    def scans(self) -> list[ScansFile]:
        """Files of the groups' scans."""
        return self._files

    def run(self, ref: int | str) -> RunReader:
        """Open the run, whatever it is called."""
        return ArchivedRun(self, self._entry, self._files)

    def close(self) -> None:
        """Let go of all files."""
        self._stack.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

"""Runs of a logbook → a dataset; what is there already and unchanged is left as it is."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from livesense import __version__
from livesense.analysis import RunAnalysis
from livesense.archive.layout import (
    ENTRY,
    EXTRA,
    Entry,
    GroupFile,
    digest,
    entry_of,
    file_system,
    folder_of,
    told,
)
from livesense.export.columns import Column, chosen_columns
from livesense.export.needs import needed
from livesense.export.parquet_file import schema_of, write_rows
from livesense.export.tables import Table
from livesense.logbook.copying import copy_run
from livesense.logbook.reader import Logbook

Tell = Callable[[str, int, int], None]

ROW_GROUP = 1 << 17
"""Rows in a row group: a question reads whole ones."""


def write_dataset(
    book: Logbook, numbers: Sequence[int] | None, dataset: str, tell: Tell = lambda what, done, total: None
) -> dict[str, Any]:
    """Write runs into a dataset, new ones and those that have changed since.

    Parameters
    ----------
    numbers
        Runs to write; None: all.
    dataset
        A folder, or a URL of any kind that fsspec knows.

    Returns
    -------
    dict
        What the ``export`` command prints.

    Raises
    ------
    UsageError
        A library is missing, or the place cannot be written.
    """
    needed("pyarrow", EXTRA, "--format dataset")
    where, root = file_system(dataset)
    chosen = sorted(row.number for row in book.runs()) if numbers is None else list(numbers)
    written: list[dict[str, Any]] = []
    unchanged: list[int] = []
    left_out: list[dict[str, Any]] = []
    rows = 0
    for position, number in enumerate(chosen):
        tell(f"run {number}", position, len(chosen))
        analysis = RunAnalysis(book, number)
        why = _not_ready(analysis)
        if why is not None:
            left_out.append({"run": number, "reason": why})
            continue
        with told(dataset):
            entry, fresh = _OneRun(book, analysis, where, root, tell).write()
        if fresh:
            written.append({"run": number, "id": entry.identity, "folder": entry.folder})
            rows += sum(group.rows for group in entry.groups)
        else:
            unchanged.append(number)
    return {
        "dataset": dataset,
        "written": written,
        "unchanged": unchanged,
        "left_out": left_out,
        "rows": rows,
    }


def _not_ready(analysis: RunAnalysis) -> str | None:
    if analysis.run.row.state == "recording":
        return "it is being recorded"
    if not analysis.run.holds_scans():
        return "it holds no scans"
    return None


class _OneRun:
    """One run on its way into a dataset."""

    def __init__(self, book: Logbook, analysis: RunAnalysis, where: Any, root: str, tell: Tell) -> None:
        self._book = book
        self._analysis = analysis
        self._where = where
        self._root = root
        self._tell = tell
        run = analysis.run
        row = run.row
        groups = range(len(run.groups))
        # Nothing that a copy into another logbook changes: wherever a run comes from, it has one place.
        self._identity = digest(
            [row.started_wall_s, row.bench_name, row.bench_text, row.device, row.version, run.description,
             [(info.channels, str(info.code), info.rate_hz) for info in run.groups]]
        )  # fmt: skip
        self._state_of = digest(
            [row.state, row.name, row.events, analysis.revision, analysis.bench.text, row.seconds,
             __version__,
             [(run.extent(g), run.scans_stored(g), run.scans_lost(g), run.scans_dropped(g)) for g in groups],
             [(note.wall_s, note.text) for note in run.notes()],
             [(c.kind, c.channel, c.zero_code, c.per_code) for c in run.calibration(analysis.revision)]]
        )  # fmt: skip
        self._folder = folder_of(row.bench_name, row.started_wall_s, self._identity)

    def write(self) -> tuple[Entry, bool]:
        """Write the run unless it is there as it stands; tells which."""
        place = f"{self._root}/{self._folder}"
        there = self._there(f"{place}/{ENTRY}")
        if there is not None and there.state_of == self._state_of:
            return there, False
        self._where.makedirs(place, exist_ok=True)
        mark = self._state_of[:8]
        with tempfile.TemporaryDirectory(prefix="livesense-") as folder:
            facts = f"_facts-{mark}.db"
            copy_run(self._book, self._analysis.run.number, Path(folder) / facts, _silent, scans=False)
            self._put(Path(folder) / facts, f"{place}/{facts}")
            groups = [
                self._write_group(group, columns, Path(folder), place, mark)
                for group, columns in self._columns().items()
            ]
            entry = self._entry(tuple(groups), facts)
            (Path(folder) / ENTRY).write_text(entry.as_text(), encoding="utf-8")
            self._put(Path(folder) / ENTRY, f"{place}/{ENTRY}")
        self._tidy(place, {facts, ENTRY, *(group.file for group in groups)})
        return entry, True

    def _there(self, path: str) -> Entry | None:
        try:
            return entry_of(self._where.cat_file(path), path)
        except FileNotFoundError:
            return None

    def _columns(self) -> dict[int, tuple[Column, ...]]:
        """Codes of each channel, as they were stored, then values of those that the bench file describes."""
        found = {}
        described = any(not c.computed for c in self._analysis.channels)
        values = chosen_columns(self._analysis, None, codes=False) if described else {}
        for group, codes in chosen_columns(self._analysis, None, codes=True).items():
            taken = {column.header for column in codes}
            found[group] = (*codes, *(c for c in values.get(group, ()) if c.header not in taken))
        return found

    def _write_group(
        self, group: int, columns: tuple[Column, ...], folder: Path, place: str, mark: str
    ) -> GroupFile:
        run = self._analysis.run
        first, stop = run.extent(group)
        name = f"group-{group}-{mark}.parquet"
        table = Table(self._analysis, group, columns, first, stop)
        with (folder / name).open("wb") as stream:
            rows = write_rows(
                table,
                stream,
                schema_of(table, raw=True),
                self._tell,
                f"run {run.number}",
                row_group=ROW_GROUP,
                raw=True,
            )
        self._put(folder / name, f"{place}/{name}")
        (folder / name).unlink()
        return GroupFile(name, rows, first, stop, run.scans_stored(group))

    def _entry(self, groups: tuple[GroupFile, ...], facts: str) -> Entry:
        row = self._analysis.run.row
        return Entry(
            folder=self._folder,
            identity=self._identity,
            run=row.number,
            name=row.name,
            bench_name=row.bench_name,
            started_wall_s=row.started_wall_s,
            seconds=row.seconds,
            state=row.state,
            device=row.device,
            revision=self._analysis.revision,
            events=row.events,
            scans_lost=row.scans_lost,
            groups=groups,
            facts=facts,
            state_of=self._state_of,
            livesense=__version__,
        )

    def _put(self, local: Path, path: str) -> None:
        """Bring a file to its place, so that it is never there in part."""
        if "file" in np.atleast_1d(self._where.protocol):
            part = Path(f"{path}.{os.getpid()}.part")
            try:
                shutil.copyfile(local, part)
                part.replace(path)
            finally:
                part.unlink(missing_ok=True)
            return
        # An object store shows an object when all of it is there.
        self._where.put_file(str(local), path)

    def _tidy(self, place: str, wanted: set[str]) -> None:
        """Take away what an earlier state of the run, or an export that was broken off, has left."""
        for path in self._where.ls(place, detail=False):
            if str(path).rsplit("/", 1)[-1] not in wanted:
                self._where.rm_file(path)


def _silent(what: str, done: int, total: int) -> None:
    pass

"""Exporting a run in whatever format."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.export.comtrade_file import export_comtrade
from livesense.export.csv_file import export_csv
from livesense.export.files import Outputs
from livesense.export.mdf_file import export_mdf
from livesense.export.parquet_file import export_parquet
from livesense.export.tables import Table, Tell, silent, tables

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis


class Format(StrEnum):
    """What an export is written as."""

    CSV = "csv"
    PARQUET = "parquet"
    COMTRADE = "comtrade"
    MDF4 = "mdf4"

    @property
    def suffix(self) -> str:
        """Of its files' names."""
        return {"csv": ".csv", "parquet": ".parquet", "comtrade": ".cfg", "mdf4": ".mf4"}[self]


_WRITERS: dict[Format, Callable[[Sequence[Table], Path, Outputs, Tell], tuple[list[Path], int]]] = {
    Format.CSV: export_csv,
    Format.PARQUET: export_parquet,
    Format.COMTRADE: export_comtrade,
    Format.MDF4: export_mdf,
}


def export_run(
    run: RunAnalysis,
    path: Path,
    form: Format = Format.CSV,
    *,
    codes: bool = False,
    names: Sequence[str] | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    replace: bool = False,
    tell: Tell = silent,
) -> dict[str, Any]:
    """Write a run, or a half-open stretch of it.

    Parameters
    ----------
    path
        Of the first file; the others' names come from it.
    codes
        Raw codes instead of values in units.
    names
        Channels to write; None: all.
    replace
        Write over an earlier export of that name.
    tell
        Called as it goes on.

    Returns
    -------
    dict
        ``files``, ``metadata`` (files that only tell of the others) and ``rows``.

    Raises
    ------
    UsageError
        for a channel that the run lacks, a file that cannot be written, one that is there, a missing
        library, or what the format cannot hold. No file is then left.
    """
    if form is Format.COMTRADE and path.suffix.lower() in (".dat", ".hdr", ""):
        path = path.with_suffix(form.suffix)
    if form is Format.MDF4 and path.suffix.lower() != form.suffix:
        path = path.with_name(path.name + form.suffix)
    chosen = tables(run, codes=codes, names=names, from_s=from_s, to_s=to_s)
    with Outputs(replace=replace) as outputs:
        beside, rows = _WRITERS[form](chosen, path, outputs, tell)
        written = outputs.keep()
    return {
        "files": [str(file) for file in written if file not in beside],
        "metadata": [str(file) for file in beside],
        "rows": rows,
    }

"""A recording by its file: COMTRADE or CSV, whichever it is."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from livesense.errors import UsageError
from livesense.recordings.comtrade_record import open_comtrade
from livesense.recordings.csv_table import open_csv
from livesense.recordings.recording import Recording

_COMTRADE = (".cfg", ".dat", ".cff")


@contextmanager
def opened_recording(path: Path, rate_hz: float | None = None) -> Iterator[Recording]:
    """Open a recording; its samples can be read within the block.

    Parameters
    ----------
    path
        ``.cfg``, ``.dat`` or ``.cff``: COMTRADE. Anything else is taken for CSV.
    rate_hz
        Samples per second of a CSV without usable times.

    Raises
    ------
    UsageError
        It cannot be read, or not be understood; the message says what was expected and what to do.
    """
    if path.is_dir() or not path.exists():
        found = "a folder" if path.is_dir() else "nothing there"
        raise UsageError(f"{path}: expected a recording (.cfg, .cff or .csv), found {found}")
    with ExitStack() as stack:
        try:
            if path.suffix.lower() in _COMTRADE:
                if rate_hz is not None:
                    raise UsageError(f"{path.name}: expected --rate with a CSV only: COMTRADE states its own")
                recording = open_comtrade(path, stack)
            else:
                recording = open_csv(path, stack, rate_hz)
        except OSError as error:
            raise UsageError(f"{path}: cannot be read: {error.strerror or error}") from error
        yield recording

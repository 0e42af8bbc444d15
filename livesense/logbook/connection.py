"""Opening the SQLite file, transactions, and what its errors mean."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

from livesense.errors import DiskFullError, LogbookError, NoLogbookError
from livesense.logbook import schema

PAGE_BYTES = 8192
BUSY_S = 5.0
"""SQLite itself waits so long for another writer."""

PATIENCE_S = 30.0
"""After so long behind another writer a transaction is given up."""

LARGEST_VALUE_BYTES = 64 << 20
"""No text or blob is read or written beyond this, whatever a file declares."""

FULL_BYTES = 1 << 20
"""With less free space than this an input/output error is put down to a full disk."""

Statement = tuple[str, Sequence[Any]]


def uri(path: Path, query: str) -> str:
    """SQLite URI of a file; ``?``, ``#``, spaces and any bytes in its name are kept."""
    text = path.as_posix()
    lead = "" if text.startswith("/") else "/"
    return "file://" + lead + quote(os.fsencode(text), safe="/:") + "?" + query


def explain(error: sqlite3.Error, path: Path, doing: str) -> LogbookError:
    """Give the livesense error for one of SQLite's."""
    code = getattr(error, "sqlite_errorcode", 0) or 0
    primary = code & 0xFF
    if primary == sqlite3.SQLITE_FULL or (primary == sqlite3.SQLITE_IOERR and free_bytes(path) < FULL_BYTES):
        return DiskFullError(
            f"{path}: the disk is full; what was written is kept. Free some space and record again"
        )
    if primary == sqlite3.SQLITE_NOTADB:
        return NoLogbookError(
            f"{path}: expected a livesense logbook, found a file that is no database; name another file"
        )
    if primary == sqlite3.SQLITE_CORRUPT:
        return LogbookError(
            f"{path}: the logbook is damaged ({error}); `livesense verify` tells where, and"
            " `livesense copy RUN --to FILE` saves a run that can be read"
        )
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return LogbookError(
            f"{path}: another program kept the logbook locked for {PATIENCE_S:g} s; end it and try again"
        )
    if primary == sqlite3.SQLITE_READONLY:
        return LogbookError(
            f"{path}: the logbook cannot be written; check its permissions and those of its folder"
        )
    if primary == sqlite3.SQLITE_CANTOPEN:
        return LogbookError(f"{path}: cannot be opened; check that the folder exists and may be used")
    return LogbookError(f"{path}: {doing}: {error}")


def garbled(path: Path) -> LogbookError:
    """Give the error for a file so damaged that SQLite's own message quotes bytes that are no text."""
    return LogbookError(
        f"{path}: holds text that cannot be read: the file is damaged; use a copy made before"
    )


def free_bytes(path: Path) -> int:
    """Free space where the logbook lies; large where that cannot be told."""
    try:
        return shutil.disk_usage(path.parent).free
    except OSError:
        return 1 << 62


def _decode(text: bytes) -> str:
    return text.decode("utf-8", "replace")


def _prepare(connection: sqlite3.Connection) -> None:
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_VALUE_BYTES)
    connection.text_factory = _decode
    connection.execute("PRAGMA trusted_schema = OFF")


def open_to_write(path: Path) -> sqlite3.Connection:
    """Open or create a logbook, bring its schema up to date.

    Raises
    ------
    LogbookError, NewerLogbookError, DiskFullError
        See :mod:`livesense.errors`. A file that is no logbook is left as it was.
    """
    if not path.parent.is_dir():
        raise LogbookError(f"{path}: the folder {path.parent} does not exist; create it or name another file")
    if path.is_dir():
        raise NoLogbookError(f"{path}: expected a logbook, found a folder; name a file in it")
    end = time.monotonic() + PATIENCE_S
    while True:
        connection = None
        try:
            connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
            _prepare(connection)
            if schema.version_of(connection, path) == 0:
                connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
                connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
            connection.execute("PRAGMA journal_mode = WAL").fetchone()
            connection.execute("PRAGMA synchronous = NORMAL")
            connection.execute("PRAGMA foreign_keys = ON")
            # Some builds of SQLite write zeros over whatever is deleted: as much again as a run is long.
            connection.execute("PRAGMA secure_delete = FAST").fetchall()
            # The recorder checkpoints on its own clock, not in the middle of a commit.
            connection.execute("PRAGMA wal_autocheckpoint = 0")
            connection.execute(f"PRAGMA journal_size_limit = {16 << 20}")
            schema.migrate(connection, path)
            schema.check_tables(connection, path, to_write=True)
            return connection
        except sqlite3.Error as error:
            if connection is not None:
                connection.close()
            if not _is_busy(error) or time.monotonic() > end:
                raise explain(error, path, "open") from error
            # Changing to WAL does not wait for others by itself.
            time.sleep(0.02)
        except BaseException as error:
            if connection is not None:
                connection.close()
            if isinstance(error, UnicodeDecodeError):
                raise garbled(path) from error
            raise


def open_to_read(path: Path) -> tuple[sqlite3.Connection, bool]:
    """Open an existing logbook for reading; also says whether it had to be taken as immutable.

    On read-only media SQLite cannot make the file it shares with writers; there the
    logbook is read as a file that nobody changes.
    """
    if not path.exists():
        raise LogbookError(f"{path}: no such logbook; record a run first, or name another file")
    if path.is_dir():
        raise NoLogbookError(f"{path}: expected a logbook, found a folder; name a file in it")
    try:
        return _open_one(path, "mode=ro"), False
    except sqlite3.Error as error:
        primary = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
        if primary not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR):
            raise explain(error, path, "open") from error
        try:
            return _open_one(path, "mode=ro&immutable=1"), True
        except sqlite3.Error:
            raise explain(error, path, "open") from error


def _open_one(path: Path, query: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        uri(path, query), uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False
    )
    try:
        _prepare(connection)
        connection.execute("PRAGMA query_only = ON")
        if schema.version_of(connection, path) == 0:
            raise LogbookError(f"{path}: holds no logbook yet; record a run first")
        schema.check_tables(connection, path, to_write=False)
    except BaseException as error:
        connection.close()
        if isinstance(error, UnicodeDecodeError):
            raise garbled(path) from error
        raise
    return connection


def _is_busy(error: sqlite3.Error) -> bool:
    code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
    return code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


@contextmanager
def transaction(connection: sqlite3.Connection, path: Path) -> Iterator[None]:
    """One write transaction: all of it or nothing; waits for other writers.

    Raises
    ------
    DiskFullError, LogbookError
        Nothing of the transaction was written; everything before it is kept.
    """
    end = time.monotonic() + PATIENCE_S
    while True:
        try:
            connection.execute("BEGIN IMMEDIATE")
            break
        except sqlite3.Error as error:
            if not _is_busy(error) or time.monotonic() > end:
                raise explain(error, path, "write") from error
    try:
        yield
        connection.execute("COMMIT")
    except BaseException as error:
        # After some errors SQLite has rolled back already.
        with suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        if isinstance(error, sqlite3.Error):
            raise explain(error, path, "write") from error
        if isinstance(error, UnicodeDecodeError):
            raise garbled(path) from error
        if isinstance(error, OSError) and free_bytes(path) < FULL_BYTES:
            raise DiskFullError(f"{path}: the disk is full; what was written is kept") from error
        raise


def plain_text(text: str) -> str:
    """Make text that SQLite can hold: half surrogate pairs are spelt out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def wal_bytes(path: Path) -> int:
    """Size of the write-ahead file beside a logbook."""
    with suppress(OSError):
        return os.stat(f"{path}-wal").st_size
    return 0

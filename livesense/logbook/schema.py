"""What tables a logbook has, and how an older one is brought up to date."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from livesense.errors import LogbookError, NewerLogbookError, NoLogbookError

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID = 0x6C767365
"""Marks a SQLite file as a logbook (``PRAGMA application_id``)."""

TABLES = (
    "run",
    "scan_group",
    "channel",
    "segment",
    "tail",
    "block",
    "pyramid",
    "trend",
    "gap",
    "restart",
    "fault",
    "event",
    "note",
    "outage",
    "rate",
    "health",
    "calibration",
    "calibration_point",
    "revision",
    "request",
    "dropped",
    "stage",
    "picture",
)

SINCE = {"calibration_point": 4, "revision": 4, "trend": 5, "dropped": 6, "stage": 7, "picture": 8}
"""Schema version that brought a table, for those that the first one lacked."""

NOMINAL_BEFORE = (
    "coalesce("
    "(SELECT rate_hz FROM segment AS s WHERE s.run = b.run AND s.scan_group = b.scan_group"
    " ORDER BY first DESC LIMIT 1),"
    " (SELECT rate_hz FROM scan_group AS g WHERE g.run = b.run AND g.number = b.scan_group),"
    " value_hz)"
)
"""SQL for the nominal rate of a fitted one in schema version 1: the one that it kept was of the latest."""


def _first_tables(db: Database) -> None:
    for statement in schema_text().split(";\n"):
        if statement.strip():
            # Not executescript: that commits, and a migration is one transaction.
            db.conn.execute(statement)
    db.conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def _losses_and_rates(db: Database) -> None:
    """Keep what each outage cost, and a fitted rate for each nominal one."""
    db.conn.execute("ALTER TABLE outage ADD COLUMN scans_lost INTEGER")
    db.conn.execute("ALTER TABLE outage ADD COLUMN uncounted TEXT")
    db.conn.execute("ALTER TABLE rate RENAME TO rate_before")
    db.conn.execute(
        "CREATE TABLE rate ("
        "run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE, scan_group INTEGER NOT NULL,"
        " value_hz REAL NOT NULL, u_random_hz REAL NOT NULL, u_systematic_hz REAL NOT NULL,"
        " nominal_hz REAL NOT NULL, PRIMARY KEY (run, scan_group, nominal_hz)) WITHOUT ROWID"
    )
    db.conn.execute(
        "INSERT INTO rate SELECT run, scan_group, value_hz, u_random_hz, u_systematic_hz,"
        f" {NOMINAL_BEFORE} FROM rate_before AS b"
    )
    db.conn.execute("DROP TABLE rate_before")


def _rates_by_their_key(db: Database) -> None:
    """Put the key of the rates first.

    Where the key of a table WITHOUT ROWID does not come first, some versions of SQLite (3.40 is
    one) report NULL values in its ``integrity_check`` though there are none.
    """
    db.conn.execute("ALTER TABLE rate RENAME TO rate_before")
    db.conn.execute(
        "CREATE TABLE rate ("
        "run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE, scan_group INTEGER NOT NULL,"
        " nominal_hz REAL NOT NULL, value_hz REAL NOT NULL, u_random_hz REAL NOT NULL,"
        " u_systematic_hz REAL NOT NULL, PRIMARY KEY (run, scan_group, nominal_hz)) WITHOUT ROWID"
    )
    db.conn.execute(
        "INSERT INTO rate SELECT run, scan_group, nominal_hz, value_hz, u_random_hz, u_systematic_hz"
        " FROM rate_before"
    )
    db.conn.execute("DROP TABLE rate_before")


def _calibrations_and_revisions(db: Database) -> None:
    """Keep scales beside zeros, the points they are made of, and what a run's figures stand on."""
    for column in (
        "board TEXT NOT NULL DEFAULT ''",
        "unit TEXT NOT NULL DEFAULT ''",
        "per_code REAL",
        "u_relative REAL",
        "pivot REAL",
        "u_pivot REAL",
        "noise_codes REAL",
        "drift_codes REAL",
        "reason TEXT NOT NULL DEFAULT ''",
        "details TEXT NOT NULL DEFAULT '{}'",
    ):
        db.conn.execute(f"ALTER TABLE calibration ADD COLUMN {column}")
    db.conn.execute("DROP INDEX calibration_place")
    db.conn.execute(
        "CREATE INDEX calibration_board ON calibration (bench_name, channel, board, kind, wall_s)"
    )
    db.conn.execute(
        "CREATE TABLE calibration_point ("
        "id INTEGER PRIMARY KEY, wall_s REAL NOT NULL, bench_name TEXT NOT NULL, board TEXT NOT NULL,"
        " device TEXT NOT NULL, channel TEXT NOT NULL, value REAL NOT NULL, unit TEXT NOT NULL,"
        " code REAL NOT NULL, u_code REAL NOT NULL, scans INTEGER NOT NULL, meter TEXT NOT NULL,"
        " u_relative REAL NOT NULL, u_absolute REAL NOT NULL, u_own REAL NOT NULL, details TEXT NOT NULL,"
        " calibration INTEGER REFERENCES calibration(id) ON DELETE SET NULL)"
    )
    db.conn.execute("CREATE INDEX calibration_point_place ON calibration_point (bench_name, channel, board)")
    db.conn.execute(
        "CREATE TABLE revision ("
        "run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE, number INTEGER NOT NULL,"
        " wall_s REAL NOT NULL, reason TEXT NOT NULL, made_by TEXT NOT NULL, bench_text TEXT NOT NULL,"
        " bench_path TEXT NOT NULL, calibrations TEXT NOT NULL, version TEXT NOT NULL,"
        " undone_wall_s REAL, PRIMARY KEY (run, number)) WITHOUT ROWID"
    )


def _trends(db: Database) -> None:
    """Keep what every 200 ms, 3 s, minute and 10 min were, so that days can be read at once."""
    db.conn.execute(
        "CREATE TABLE trend ("
        "id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,"
        " scan_group INTEGER NOT NULL, level INTEGER NOT NULL, first INTEGER NOT NULL,"
        " scans INTEGER NOT NULL,"
        " used INTEGER NOT NULL, cycles REAL NOT NULL, turning INTEGER NOT NULL, lined INTEGER NOT NULL,"
        " data BLOB NOT NULL)"
    )
    db.conn.execute("CREATE UNIQUE INDEX trend_place ON trend (run, scan_group, level, first)")


def _dropped_scans(db: Database) -> None:
    """Keep which raw scans retention dropped."""
    db.conn.execute(
        "CREATE TABLE dropped ("
        "run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE, scan_group INTEGER NOT NULL,"
        " level INTEGER NOT NULL, first INTEGER NOT NULL, stop INTEGER NOT NULL, scans INTEGER NOT NULL,"
        " reason TEXT NOT NULL, wall_s REAL NOT NULL,"
        " PRIMARY KEY (run, scan_group, level, first)) WITHOUT ROWID"
    )


def _stages(db: Database) -> None:
    """Keep the verdicts of a bring-up."""
    db.conn.execute(
        "CREATE TABLE stage ("
        "id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,"
        " wall_s REAL NOT NULL, stage TEXT NOT NULL, verdict TEXT NOT NULL, from_s REAL, to_s REAL,"
        " text TEXT NOT NULL, details TEXT NOT NULL)"
    )
    db.conn.execute("CREATE INDEX stage_run ON stage (run)")


def _pictures(db: Database) -> None:
    """Keep pictures that belong to runs."""
    db.conn.execute(
        "CREATE TABLE picture ("
        "id INTEGER PRIMARY KEY, run INTEGER NOT NULL REFERENCES run(number) ON DELETE CASCADE,"
        " wall_s REAL NOT NULL, name TEXT NOT NULL, media_type TEXT NOT NULL, data BLOB NOT NULL)"
    )
    db.conn.execute("CREATE INDEX picture_run ON picture (run)")


Migration = Callable[["Database"], None]

MIGRATIONS: list[Migration] = [
    _first_tables,
    _losses_and_rates,
    _rates_by_their_key,
    _calibrations_and_revisions,
    _trends,
    _dropped_scans,
    _stages,
    _pictures,
]
"""In order; the one at position n leads from schema version n to n + 1."""


def schema_text() -> str:
    """Give the statements that make an empty logbook of version 1; later steps change it."""
    return resources.files("livesense.logbook").joinpath("schema.sql").read_text(encoding="utf-8")


def newest_version() -> int:
    """Give the schema version that this program writes."""
    return len(MIGRATIONS)


def version_of(connection: sqlite3.Connection, path: Path) -> int:
    """Read the schema version of an open file, 0 for an empty one.

    Raises
    ------
    NewerLogbookError
        It was written by a newer program.
    NoLogbookError
        It is a database, but no logbook.
    """
    (mark,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (objects,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if mark == 0 and version == 0 and objects == 0:
        return 0
    if mark != APPLICATION_ID or version < 1:
        raise NoLogbookError(
            f"{path}: expected a livesense logbook, found a database of something else; name another file"
        )
    if version > newest_version():
        raise NewerLogbookError(
            f"{path}: expected a logbook of schema version {newest_version()} or older,"
            f" found version {version}; a newer livesense wrote it: install that one or a later one"
        )
    return int(version)


def migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Bring a file to the newest schema, one transaction for each step.

    The version is read again inside each transaction, so two programs that open a
    new file at the same time do not run a step twice.
    """
    if version_of(connection, path) == newest_version():
        return
    from sqlite_utils import Database

    db = Database(connection)
    for number, step in enumerate(MIGRATIONS, start=1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            if version_of(connection, path) < number:
                step(db)
                connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def check_tables(connection: sqlite3.Connection, path: Path, *, to_write: bool) -> None:
    """Refuse a file whose tables are not plain tables.

    A view, a virtual table or a computed column could run code of the file's maker on
    reading, a trigger on writing. Extra tables and views that nobody asks for are left be.
    """
    found = {
        name: (kind, text or "")
        for kind, name, text in connection.execute("SELECT type, name, sql FROM sqlite_master")
        if isinstance(name, str)
    }
    version = version_of(connection, path)
    for name in TABLES:
        if SINCE.get(name, 1) > version:
            continue
        kind, text = found.get(name, ("nothing", ""))
        if kind != "table" or text.upper().startswith("CREATE VIRTUAL"):
            raise LogbookError(f'{path}: damaged logbook: expected a table "{name}", found {kind}')
        columns = connection.execute(f"PRAGMA table_xinfo({name})").fetchall()
        if any(column[6] for column in columns):
            raise LogbookError(f'{path}: damaged logbook: table "{name}" has computed columns')
    triggers = sorted(name for name, (kind, _) in found.items() if kind == "trigger")
    if to_write and triggers:
        raise LogbookError(
            f"{path}: refused to write: the file holds triggers ({', '.join(map(repr, triggers[:5]))}), "
            "which livesense never makes; remove them or name another file"
        )

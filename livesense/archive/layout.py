"""Where things are in a dataset: ``bench=…/date=…/run=…/``, and the file that makes a run of it whole.

A run's folder holds ``group-N-….parquet`` (its scans), ``_facts-….db`` (a logbook without scans: bench file,
chain, gaps, events) and ``_run.json``, which is written last and names the others. What it does not name is
left over from an export that was broken off, and is not looked at.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from livesense.errors import LogbookError, UsageError
from livesense.export.needs import needed

FORMAT = 1
ENTRY = "_run.json"
LARGEST_ENTRY = 4 << 20

EXTRA = "archive"


@dataclass(frozen=True, slots=True)
class GroupFile:
    """The scans of one group: how many rows, and from which index to which (not included)."""

    file: str
    rows: int
    first: int
    stop: int
    stored: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One run of a dataset, as its ``_run.json`` tells it.

    ``folder`` is relative to the dataset; ``identity`` names the run wherever it is copied to; ``state_of``
    is what it was written from: the same again needs no writing.
    """

    folder: str
    identity: str
    run: int
    name: str
    bench_name: str
    started_wall_s: float
    seconds: float
    state: str
    device: str
    revision: int
    events: int
    scans_lost: int | None
    groups: tuple[GroupFile, ...]
    facts: str
    state_of: str
    livesense: str

    @property
    def order(self) -> tuple[float, str]:
        """Runs are listed by when they began."""
        return self.started_wall_s, self.identity

    def as_text(self) -> str:
        """Write it as JSON."""
        return json.dumps({"format": FORMAT, **asdict(self)}, ensure_ascii=False, indent=1)


def entry_of(text: str | bytes, where: str) -> Entry:
    """Read a ``_run.json``.

    Raises
    ------
    LogbookError
        It is none, or of a newer livesense.
    """
    try:
        facts = json.loads(text)
        version = facts.pop("format")
        if version != FORMAT:
            raise LogbookError(
                f"{where}: expected a dataset of format {FORMAT}, found {version!r}: it was written by "
                "another livesense; use that one, or export it anew"
            )
        groups = tuple(GroupFile(**group) for group in facts.pop("groups"))
        return Entry(groups=groups, **facts)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise LogbookError(
            f"{where}: expected what is known of a run, found something else ({error})"
        ) from error


def folder_of(bench_name: str, started_wall_s: float, identity: str) -> str:
    """Name a run's folder, relative to the dataset; dates are UTC."""
    date = datetime.fromtimestamp(started_wall_s, UTC).strftime("%Y-%m-%d")
    return f"bench={slug(bench_name)}/date={date}/run={identity}"


def slug(name: str) -> str:
    """Write a bench's name for a path; one that needs changing gets a few digits that tell it apart."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", name).strip("_.")[:60]
    if plain == name:
        return plain
    return f"{plain or 'bench'}-{hashlib.sha256(name.encode()).hexdigest()[:6]}"


def digest(parts: Iterable[object]) -> str:
    """Make 16 digits that tell what these are."""
    return hashlib.sha256(repr(tuple(parts)).encode()).hexdigest()[:16]


def absolute(dataset: str) -> str:
    """Write a dataset's place so that other processes find it: folders in full, URLs as they are."""
    return dataset if "://" in dataset or "::" in dataset else os.path.abspath(dataset)


def file_system(dataset: str) -> tuple[Any, str]:
    """Open where a dataset is: a folder, or a URL that fsspec knows; hands back it and the path there.

    Raises
    ------
    UsageError
        fsspec is missing, or what this kind of URL needs.
    """
    core = needed("fsspec.core", EXTRA, "a dataset")
    try:
        found, root = core.url_to_fs(absolute(dataset))
    except (ImportError, ValueError) as error:
        raise UsageError(
            f"{dataset}: expected a folder, or a URL of a kind that fsspec knows here, found {error}"
        ) from error
    return found, str(root).rstrip("/")


@contextmanager
def told(dataset: str) -> Any:
    """Turn what a file system raises into a message."""
    try:
        yield
    except (LogbookError, UsageError):
        raise
    except FileNotFoundError as error:
        raise UsageError(f"{dataset}: expected a file of the dataset, found none there ({error})") from error
    except (OSError, PermissionError) as error:
        raise UsageError(f"{dataset}: cannot be used: {error}") from error


def entry_paths(dataset: str) -> list[str]:
    """List the runs of a dataset, as paths of their ``_run.json``.

    Raises
    ------
    UsageError
        There is no such dataset.
    """
    where, root = file_system(dataset)
    with told(dataset):
        found = sorted(where.glob(f"{root}/bench=*/date=*/run=*/{ENTRY}"))
    if not found:
        raise UsageError(
            f"{dataset}: expected a dataset, found no run in it; "
            f"`livesense export --format dataset {dataset}` writes one"
        )
    return [str(path) for path in found]

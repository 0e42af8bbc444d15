"""What a recording is asked to do, and how it tells of itself."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from livesense.bench import Bench
from livesense.link.address import Address
from livesense.link.queue import QUEUE_LIMIT_BYTES
from livesense.link.sources import NOTHING_SENT, SendSettings


class Ended(StrEnum):
    """How a recording ended."""

    TIME = "time"
    CLOSED = "closed"
    ASKED = "asked"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class RecordSettings:
    """What to record, from where, into which logbook, until when."""

    bench: Bench
    address: Address
    logbook: Path
    name: str = ""
    duration_s: float | None = None
    until_closed: bool = False
    wait: bool = False
    send: SendSettings = NOTHING_SENT
    queue_limit_bytes: int = QUEUE_LIMIT_BYTES


@dataclass(frozen=True, slots=True)
class Progress:
    """A look at a recording while it runs."""

    run: int | None
    seconds: float
    scans: int
    rate_hz: float
    lost: int | None
    faults: int
    events: int
    size_bytes: int
    link: str
    latest_event: str

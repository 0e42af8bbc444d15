"""Recording what a script says: the real recorder, with a port that hands over what is given."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any
from unittest import mock

from livesense import recorder as recorder_module
from livesense.bench import parse
from livesense.link.address import parse_address
from livesense.link.queue import Chunk, LinkDown, LinkEnd, LinkItem, LinkQueue, LinkUp, Overflow
from livesense.record_settings import RecordSettings
from livesense.recorder import Recorder
from livesense.samples import Arrival

BEGAN_S = 1e9


def items(happened: Iterable[tuple[str, bytes, float]], *, live: bool) -> list[LinkItem]:
    """What the reader thread would have put: bytes, ``outage`` or ``host``, each with its time."""
    out: list[LinkItem] = [LinkUp(BEGAN_S)]
    for kind, data, at_s in happened:
        if kind == "bytes":
            out.append(Chunk(data, Arrival(at_s, BEGAN_S + at_s, counts_sleep=True) if live else None))
        elif kind == "host":
            out.append(Overflow(100))
        else:
            out += [LinkDown("gone", BEGAN_S + at_s), LinkUp(BEGAN_S + at_s)]
    return [*out, LinkEnd(None)]


def record(
    bench: str, happened: Iterable[tuple[str, bytes, float]], logbook: Path, *, live: bool
) -> dict[str, Any]:
    """Record it; returns what the `record` command prints."""
    given = items(happened, live=live)

    class Port:
        def __init__(self, address: object, baud: int, queue: LinkQueue, **options: object) -> None:
            self._queue = queue

        def start(self) -> None:
            for item in given:
                self._queue.put(item)

        def stop(self) -> None:
            pass

    address = parse_address("socket://localhost:1" if live else "file:pump.bin")
    settings = RecordSettings(bench=parse(bench), address=address, logbook=logbook, until_closed=True)
    with mock.patch.object(recorder_module, "LinkReader", Port):
        return Recorder(settings).run()

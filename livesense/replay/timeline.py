"""What is sent when: pieces of a run in order of their time, with its silences and restarts."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.replay.wires import RecordWire, Wire, wire_for

READ_S = 1.0
"""So much is read at once; a device says what it is as often."""
PIECE_S = 0.01
"""Scans are handed on in pieces so long."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes, and when they are due: seconds from the beginning of the replay, at the run's own pace."""

    due_s: float
    data: bytes
    scans: int = 0


@dataclass
class Tape:
    """One run from one instant to another, as pieces.

    Raises
    ------
    UsageError
        when the run's codes do not fit its wire.
    """

    analysis: RunAnalysis
    from_s: float | None = None
    to_s: float | None = None
    _wire: Wire = field(init=False)

    def __post_init__(self) -> None:
        run = self.analysis.run
        first_s, last_s = self.analysis.extent_s()
        self.from_s = first_s if self.from_s is None else max(first_s, self.from_s)
        self.to_s = last_s if self.to_s is None else min(last_s, self.to_s)
        rows = [row for row in run.channel_rows() if row.role == "code"]
        names = [
            [row.shown_name or row.name for row in rows if row.group == g] for g in range(len(run.groups))
        ]
        counted = run.scans_lost(0) is not None
        self._wire = wire_for(self.analysis.bench, run.groups, names, run.row.device, counted)
        if isinstance(self._wire, RecordWire):
            self._wire.rate_hz = run.groups[0].rate_hz
        # Where each group's counter begins anew: the scan, and what it counts from.
        self._begins = {g: [(0, 0)] for g in range(len(run.groups))}
        self._restart_scans: dict[int, list[int]] = {g: [] for g in range(len(run.groups))}
        for restart in run.restarts():
            for group in self._begins if restart.group is None else [restart.group]:
                self._begins[group].append((restart.scan, restart.first_counter or 0))
                self._restart_scans[group].append(restart.scan)

    @property
    def seconds(self) -> float:
        """Length of what is played."""
        assert self.from_s is not None and self.to_s is not None
        return self.to_s - self.from_s

    def pieces(self, boot: int = 1) -> Iterator[Piece]:
        """Yield all pieces in order of their time; ``boot`` is the device's number for its first power-on."""
        assert self.from_s is not None and self.to_s is not None
        notes = sorted(self._notes(), key=lambda piece: piece.due_s)
        at_s = self.from_s
        while at_s < self.to_s:
            until_s = min(self.to_s, at_s + READ_S)
            rates = [self.analysis.rate_at(g, self.analysis.scans_between(g, at_s, until_s)[0])
                     for g in self._begins]  # fmt: skip
            known = [r if self.analysis.run.groups[g].rate_hz else None for g, r in enumerate(rates)]
            due_s = at_s - self.from_s
            found = [Piece(due_s, self._wire.introduction(known, boot))]
            for group in self._begins:
                for restarted, piece in self._scans(group, at_s, until_s):
                    if restarted and group == 0:
                        boot += 1
                    if restarted:
                        found.append(Piece(piece.due_s, self._wire.introduction(known, boot)))
                    found.append(piece)
            while notes and notes[0].due_s <= until_s - self.from_s:
                found.append(notes.pop(0))
            yield from sorted(found, key=lambda piece: piece.due_s)
            at_s = until_s

    def _notes(self) -> Iterator[Piece]:
        assert self.from_s is not None and self.to_s is not None
        axis = self.analysis.run.time_axis(0)
        for note in self.analysis.run.notes():
            if note.source != "device" or note.scan is None:
                continue
            at_s = float(axis.time_s(np.array([note.scan]))[0])
            data = self._wire.note(note.text)
            if data and self.from_s <= at_s < self.to_s:
                yield Piece(at_s - self.from_s, data)

    def _scans(self, group: int, from_s: float, to_s: float) -> Iterator[tuple[bool, Piece]]:
        """Yield pieces of a group with whether the device begins anew with them."""
        assert self.from_s is not None
        run, axis = self.analysis.run, self.analysis.run.time_axis(group)
        first, stop = self.analysis.scans_between(group, from_s, to_s)
        begins = [scan for scan in self._restart_scans[group] if first <= scan < stop]
        for at, codes in run.codes(group, first, stop) if stop > first else ():
            most = max(1, round(self.analysis.rate_at(group, at) * PIECE_S))
            end = at + len(codes)
            cuts = sorted({at, end, *range(at + most, end, most), *(s for s in begins if at < s < end)})
            for begin, until in itertools.pairwise(cuts):
                origin, counted = max(b for b in self._begins[group] if b[0] <= begin)
                part = codes[begin - at : until - at]
                begin_s = float(axis.time_s(np.array([begin]))[0])
                data = self._wire.scans(group, begin - origin + counted, begin_s - self.from_s, part)
                # A device sends a scan when it has it.
                due_s = max(0.0, axis.end_s(until - 1) - self.from_s)
                yield begin in begins, Piece(due_s, data, len(part))

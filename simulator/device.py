"""The simulated microcontroller: packs the world's codes into the wire's bytes.

Bytes leave as pieces, each with the world time at which its last scan is there, so
that a paced link can hold them back until then.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from livesense.samples import CodeType, GroupInfo
from livesense.wire import encode
from simulator.faults import FaultyLink, LinkFaults
from simulator.sensing import FAST, NOMINAL, SLOW
from simulator.truth import TruthWriter
from simulator.world import CHUNK_S, SLOW_HZ, Chunk, World

DEVICE = "coolant-pump-bench"
SCANS_PER_PACKET = 25
"""250 bytes of codes a packet at five channels: one stuffing block, little overhead, 1.25 ms of delay."""

DESCRIBE_S = 1.0
RESET_S = 0.3
_COUNTER_MODULUS = 1 << 32


class Wire(StrEnum):
    """How scans are written onto the line."""

    FRAMED = "framed"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes that are complete at ``due_s`` (world time)."""

    due_s: float
    data: bytes


class Device:
    """One microcontroller on the bench.

    Parameters
    ----------
    seed
        Gives the boot numbers and the link's faults; the world has its own.
    truth
        None, or where the truth goes; it gets exactly the scans that were taken.
    """

    def __init__(
        self,
        world: World,
        wire: Wire,
        *,
        seed: int,
        faults: LinkFaults | None = None,
        truth: TruthWriter | None = None,
    ) -> None:
        self.world = world
        self.wire = wire
        self.scans = 0
        """Scans of the fast group taken since the start, restarts or not."""
        self._truth = truth
        faults = faults or LinkFaults()
        self._resets_s = list(faults.resets_s)
        self._boots = np.random.default_rng(np.random.SeedSequence([seed, 1]))
        self.boot = int(self._boots.integers(1, 2**32))
        delimiter = b"\0" if wire is Wire.FRAMED else b"\n"
        self._link = FaultyLink(faults, np.random.default_rng(np.random.SeedSequence([seed, 2])), delimiter)
        self._counter = 0
        self._slow_counter = 0
        self._described_s = -np.inf
        self._sends, self._every = world.scenario.burst or (0, 0)

    @property
    def _burst(self) -> int | None:
        return self._sends or None

    @property
    def groups(self) -> tuple[GroupInfo, ...]:
        """What it says of itself: one line holds every column on the text wire."""
        rate_hz = float(self.world.rate_hz)
        if self.wire is Wire.TEXT:
            return (GroupInfo(rate_hz, CodeType.TEXT, NOMINAL.bits, FAST + SLOW, burst=self._burst),)
        return (
            GroupInfo(rate_hz, CodeType.U16, NOMINAL.bits, FAST, burst=self._burst),
            GroupInfo(float(SLOW_HZ), CodeType.U16, NOMINAL.bits, SLOW),
        )

    def run(self, scans: int | None) -> Iterator[list[Piece]]:
        """Pieces, a tenth of a second at a time, in order; for ever where ``scans`` is None."""
        while scans is None or self.scans < scans:
            chunk = self.world.chunk()
            if self._resets_s and chunk.time_s >= self._resets_s[0] - 1e-9:
                self._resets_s.pop(0)
                self._reset(chunk)
                continue
            count = len(chunk.codes) if scans is None else min(len(chunk.codes), scans - self.scans)
            if self._truth:
                self._truth.feed(chunk, count)
            yield self._text(chunk, count) if self.wire is Wire.TEXT else self._framed(chunk, count)
            self.scans += count

    def _reset(self, chunk: Chunk) -> None:
        """Let the world go on without the device for a while; then it counts from zero."""
        if self._truth:
            self._truth.pause()
            self._truth.feed(chunk, 0)
        for _ in range(round(RESET_S / CHUNK_S) - 1):
            chunk = self.world.chunk()
            if self._truth:
                self._truth.feed(chunk, 0)
        self.boot = int(self._boots.integers(1, 2**32))
        if self._truth:
            self._truth.restart(self.boot, chunk.time_s + CHUNK_S)
        self._counter = self._slow_counter = 0
        self._described_s = -np.inf

    def _describes(self, chunk: Chunk) -> bool:
        if chunk.time_s < self._described_s + DESCRIBE_S - 1e-9:
            return False
        self._described_s = chunk.time_s
        return True

    def _sent(self, count: int) -> list[tuple[int, int]]:
        """Give the scans of a chunk that are sent: all, or those within bursts."""
        if not self._sends:
            return [(0, count)]
        first = -(self._counter % self._every)
        bursts = ((at, at + self._sends) for at in range(first, count, self._every))
        return [(max(0, a), min(count, b)) for a, b in bursts if b > 0]

    def _framed(self, chunk: Chunk, count: int) -> list[Piece]:
        pieces: list[Piece] = []
        if self._describes(chunk):
            packet = encode.description_packet(self.groups, device=DEVICE, boot=self.boot)
            pieces.append(Piece(chunk.time_s, encode.encode_frame(packet)))
        slow = encode.scans_packet(1, self._slow_counter, chunk.slow, CodeType.U16)
        self._slow_counter += len(chunk.slow)
        pieces.append(Piece(chunk.time_s, encode.encode_frame(slow)))
        for first, stop in self._sent(count):
            codes = chunk.codes[first:stop]
            stream = encode.frames(0, self._counter + first, codes, SCANS_PER_PACKET, CodeType.U16)
            ends = np.flatnonzero(np.frombuffer(stream, dtype=np.uint8) == 0) + 1
            begin = 0
            for number, end in enumerate(ends.tolist(), start=1):
                last = min(first + number * SCANS_PER_PACKET, stop)
                pieces.append(Piece(chunk.time_s + last / self.world.rate_hz, stream[begin:end]))
                begin = end
        self._counter += count
        for mark in chunk.marks:
            if mark.phase.note:
                note = encode.encode_frame(encode.note_packet(mark.phase.note))
                pieces.append(Piece(mark.time_s, note))
        pieces.sort(key=lambda piece: piece.due_s)
        return self._carried(pieces)

    def _text(self, chunk: Chunk, count: int) -> list[Piece]:
        pieces: list[Piece] = []
        if self._describes(chunk):
            # The header comes again each time, for receivers that join midway.
            pieces.append(Piece(chunk.time_s, encode.text_header(("n", *FAST, *SLOW), checksum=True)))
            text = encode.description_text(self.groups, device=DEVICE, boot=self.boot)
            pieces.append(Piece(chunk.time_s, b"#" + text.encode() + b"\n"))
        rows = np.empty((count, 1 + len(FAST) + len(SLOW)), dtype=np.int64)
        rows[:, 0] = (self._counter + np.arange(count)) % _COUNTER_MODULUS
        rows[:, 1:-2] = chunk.codes[:count]
        rows[:, -2:] = chunk.slow[0]
        sent = self._sent(count)
        self._counter += count
        for first, stop in sent:
            for begin in range(first, stop, SCANS_PER_PACKET):
                end = min(begin + SCANS_PER_PACKET, stop)
                lines = encode.text_lines(rows[begin:end], checksum=True)
                pieces.append(Piece(chunk.time_s + end / self.world.rate_hz, lines))
        for mark in chunk.marks:
            if mark.phase.note:
                pieces.append(Piece(mark.time_s, f"# {mark.phase.note}\n".encode()))
        pieces.sort(key=lambda piece: piece.due_s)
        return self._carried(pieces)

    def _carried(self, pieces: list[Piece]) -> list[Piece]:
        return [Piece(piece.due_s, self._link.carry(piece.data)) for piece in pieces]

"""Faults of the link, for tests and demonstrations: what a bad cable or a reset does.

Given as ``drop=0.001`` (share of frames or lines lost), ``corrupt=0.001`` (one bit
flipped), ``duplicate=0.001`` (sent twice), ``reset=12.5`` (the microcontroller
restarts at that second; may be given several times).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from livesense.errors import UsageError

_SHARES = ("drop", "corrupt", "duplicate")


@dataclass(frozen=True, slots=True)
class LinkFaults:
    """Shares are probabilities per frame (framed wire) or line (text wire); resets are world times."""

    drop: float = 0.0
    corrupt: float = 0.0
    duplicate: float = 0.0
    resets_s: tuple[float, ...] = ()

    @property
    def harms(self) -> bool:
        """Whether single frames or lines suffer."""
        return self.drop > 0.0 or self.corrupt > 0.0 or self.duplicate > 0.0


def parse_faults(texts: Iterable[str]) -> LinkFaults:
    """Read ``KIND=VALUE`` texts, each possibly several joined by commas.

    Raises
    ------
    UsageError
        An unknown kind, a share outside 0 to 1, or a time before 0.
    """
    shares = dict.fromkeys(_SHARES, 0.0)
    resets_s: list[float] = []
    for text in (part.strip() for whole in texts for part in whole.split(",")):
        kind, _, number = text.partition("=")
        try:
            value = float(number)
        except ValueError:
            value = float("nan")
        if kind in shares and 0.0 <= value <= 1.0:
            shares[kind] = value
        elif kind == "reset" and 0.0 <= value < float("inf"):
            resets_s.append(value)
        else:
            raise UsageError(
                "link fault: expected drop, corrupt or duplicate with a share such as drop=0.001, "
                f"or reset with a time in seconds such as reset=12.5, got {text!r}"
            )
    return LinkFaults(shares["drop"], shares["corrupt"], shares["duplicate"], tuple(sorted(resets_s)))


class FaultyLink:
    """Applies the faults to whole frames or lines; the same seed does the same harm."""

    def __init__(self, faults: LinkFaults, random: np.random.Generator, delimiter: bytes) -> None:
        self._faults = faults
        self._random = random
        self._delimiter = delimiter

    def carry(self, data: bytes) -> bytes:
        """Bytes of whole frames or lines, as they come out at the other end."""
        if not self._faults.harms:
            return data
        units = data.split(self._delimiter)[:-1]
        chances = self._random.random((len(units), 3))
        faults = self._faults
        out: list[bytes] = []
        for unit, (lost, flipped, twice) in zip(units, chances.tolist(), strict=True):
            if lost < faults.drop:
                continue
            sent = self._flip(unit) if flipped < faults.corrupt and unit else unit
            out.append(sent + self._delimiter)
            if twice < faults.duplicate:
                out.append(sent + self._delimiter)
        return b"".join(out)

    def _flip(self, unit: bytes) -> bytes:
        damaged = bytearray(unit)
        place = int(self._random.integers(len(damaged)))
        flipped = damaged[place] ^ (1 << int(self._random.integers(7)))
        # A delimiter in the middle would be two faults, not one.
        damaged[place] = flipped if flipped != self._delimiter[0] else flipped ^ 0x80
        return bytes(damaged)

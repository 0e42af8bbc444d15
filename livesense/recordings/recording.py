"""The vocabulary of recordings: channels, steady stretches, and codes that are read piece by piece."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.samples import CodeType, FloatArray

PIECE_ROWS = 1 << 16
"""Rows read at once."""


@dataclass(frozen=True, slots=True)
class RecordedChannel:
    """One channel of a recording: ``value = scale · (code − zero)`` in ``unit``.

    Attributes
    ----------
    name
        The file's own, as far as it can be a channel's name.
    shown
        The file's own, as it stands there.
    phase
        "U", "V", "W" or None; A, B and C of the file are these.
    circuit
        What the channel belongs to where the file tells several machines or lines apart; else empty.
    delay_s
        When it is sampled after the scan's own time.
    assumed
        What the file does not say and the name suggests: ``unit``, ``phase``.
    """

    name: str
    shown: str
    unit: str = ""
    scale: float = 1.0
    zero: float = 0.0
    phase: str | None = None
    circuit: str = ""
    delay_s: float = 0.0
    state: bool = False
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows ``first`` to ``stop`` (not included) of the file, evenly sampled, without a hole.

    ``start_s`` is the time of the first, from the recording's first row; ``lost`` counts the scans that are
    missing before it where that can be told, ``follows`` that it lies on the raster of the one before.
    """

    first: int
    stop: int
    start_s: float
    rate_hz: float
    lost: int = 0
    follows: bool = False


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording; its samples are read when they are asked for.

    ``read(first, stop)`` gives the codes of these rows, ``(n, channels)`` of the type of ``code``.
    ``started_wall_s`` is None where the file does not tell; ``notes`` are for whoever imports it.
    """

    kind: str
    title: str
    device: str
    started_wall_s: float | None
    channels: tuple[RecordedChannel, ...]
    code: CodeType
    stretches: tuple[Stretch, ...]
    read: Callable[[int, int], NDArray[Any]]
    notes: tuple[str, ...] = ()
    about: dict[str, Any] = field(default_factory=dict)

    def pieces(self, stretch: Stretch) -> Iterator[tuple[int, NDArray[Any]]]:
        """Read a stretch: ``(first row, codes)``, some rows at once."""
        for begin in range(stretch.first, stretch.stop, PIECE_ROWS):
            yield begin, self.read(begin, min(begin + PIECE_ROWS, stretch.stop))

    @property
    def rows(self) -> int:
        """Rows in all stretches."""
        return sum(stretch.stop - stretch.first for stretch in self.stretches)


PREFIXES = {"k": 1e3, "m": 1e-3, "µ": 1e-6, "μ": 1e-6, "u": 1e-6, "M": 1e6}


def in_base_unit(unit: str) -> tuple[str, float]:
    """Bring multiples of ampere and volt to these: ``("A", 1000.0)`` for kA; other units stay."""
    unit = unit.strip()
    unit = {"degC": "°C", "deg C": "°C", "℃": "°C", "Amps": "A", "Volts": "V", "amp": "A"}.get(unit, unit)
    if len(unit) == 2 and unit[1] in "AV" and unit[0] in PREFIXES:
        return unit[1], PREFIXES[unit[0]]
    if unit in ("a", "v"):
        return unit.upper(), 1.0
    # A bench file's unit is one short word.
    return re.sub(r"[\s,;\"]+|[^\x20-\x7e°µμΩ²³·/%√]", "", unit)[:16], 1.0


_OF_NAME = re.compile(r"(?:i|v|u|cur|current|volt|voltage|phase|ph|l|il|vl|ul)[ _.\-]?([abcuvw123])", re.I)
_PHASES = {"A": "U", "B": "V", "C": "W", "1": "U", "2": "V", "3": "W", "L1": "U", "L2": "V", "L3": "W",
           "R": "U", "S": "V", "T": "W", "U": "U", "V": "V", "W": "W"}  # fmt: skip


def phase_of(field: str) -> str | None:
    """Tell the phase that a file's phase field names: A, B, C, or L1, L2, L3, or R, S, T; else None."""
    return _PHASES.get(field.strip().upper())


def phase_by_name(name: str) -> str | None:
    """Guess a phase from names such as ``iu``, ``I_A`` or ``IL1`` where the file has no other word on it."""
    found = _OF_NAME.fullmatch(name.strip())
    return None if found is None else _PHASES[found.group(1).upper()]


def bus_by_name(name: str) -> bool:
    """Guess the bus from names such as ``vbus``, ``IDC`` or ``bus_v``."""
    return re.fullmatch(r"(?:[iuv][ _]?)?(?:bus|dc)(?:[ _]?[iuv])?", name.strip(), re.I) is not None


def unit_by_name(name: str) -> str:
    """Guess ampere or volt from the name of a phase's channel; empty where it tells nothing."""
    if phase_by_name(name) is None:
        return ""
    first = name.strip()[0].lower()
    return {"i": "A", "c": "A", "v": "V", "u": "V"}.get(first, "")


def legal_names(shown: list[str]) -> list[str]:
    """Make names that a bench file takes, each once, as near to the file's own as can be."""
    found: list[str] = []
    for number, name in enumerate(shown, start=1):
        plain = re.sub(r"[^A-Za-z0-9_.\-]+", "_", name.strip()).strip("_")
        if not plain or not plain[0].isalpha():
            plain = f"c{number}_{plain}" if plain else f"c{number}"
        plain = plain[:32]
        again = 2
        base = plain
        while plain in found:
            plain = f"{base[: 31 - len(str(again))]}_{again}"
            again += 1
        found.append(plain)
    return found


def whole_numbers(values: FloatArray) -> bool:
    """Tell whether all of these fit 32-bit codes without loss."""
    return bool(
        np.isfinite(values).all() and np.all(values == np.round(values)) and np.all(np.abs(values) < 2**31)
    )

"""The simulated pump's codes at rest, aligning and at two loads, and checks of what is made of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from livesense import bench as bench_file
from livesense.check_run import check_bytes
from livesense.checks.report import Report
from livesense.link.address import parse_address
from livesense.probe import Heard
from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import description_packet, encode_frame, frames
from simulator.scenarios import BRING_UP
from simulator.waveform import DriveKind
from simulator.world import World

RATE_HZ = 20_000
NAMES = ("iu", "iv", "iw", "vbus", "ibus")
U, V, W, VBUS, IBUS = range(5)

BENCH = "".join(
    part
    for part in (Path(__file__).parents[2] / "simulator" / "benches" / "coolant-pump.toml")
    .read_text(encoding="utf-8")
    .partition("# Heat sink")[0:1]
)
"""The pump's bench file without its slow group."""

STRETCHES = {"rest": (0.2, 1.4), "align": (1.55, 2.05), "light": (7.0, 8.5), "rated": (18.0, 19.5)}
"""Seconds of the story."""


@dataclass(frozen=True)
class Pump:
    """Codes ``(n, 5)`` of one built chain by state of the drive."""

    codes: dict[str, np.ndarray]

    def __getitem__(self, state: str) -> np.ndarray:
        return self.codes[state].copy()


@cache
def pump(kind: str = "field-oriented", seed: int = 1) -> Pump:
    """Play the story up to the rated load."""
    world = World(BRING_UP, seed=seed, kind=DriveKind(kind), truth=False)
    end_s = max(end for _, end in STRETCHES.values())
    codes = np.concatenate([world.chunk().codes for _ in range(round(10 * end_s))])
    return Pump({name: codes[int(a * RATE_HZ) : int(b * RATE_HZ)] for name, (a, b) in STRETCHES.items()})


def stream(codes: np.ndarray, names: tuple[str, ...] = NAMES, *, rate_hz: float = RATE_HZ) -> bytes:
    """Frames of one group that describes itself."""
    group = GroupInfo(rate_hz, CodeType.U16, 12, names)
    described = encode_frame(description_packet([group], device="pump-bench"))
    return described + frames(0, 0, np.ascontiguousarray(codes, dtype=np.uint16), 20, CodeType.U16)


def checked(codes: np.ndarray, bench: str = BENCH, names: tuple[str, ...] = NAMES) -> Report:
    """Check codes as a listen to a file would."""
    heard = Heard(stream(codes, names), None, None, True)
    return check_bytes(bench_file.parse(bench, "pump.toml"), heard, parse_address("file:pump.bin"))


def alarms(report: Report) -> set[tuple[str, str | None]]:
    """Kinds and channels of what is alarming; nothing is said twice."""
    found = [(str(f.kind), f.channel) for f in report.findings if f.alarm]
    assert len(found) == len(set(found))
    return set(found)


def sibling(channel: str, phase: str, **keys: str) -> str:
    """A ``[[channel]]`` table of another chain, like the pump's phases but at the low side."""
    own = {
        "place": '"low-side"',
        "plus_input": '"ground"',
        "sensor": '"shunt"',
        "shunt": '"5 mΩ"',
        "shunt_tolerance": '"1 %"',
        "gain": "20",
        "gain_error": '"0.3 %"',
        "offset": '"150 µV"',
        "reference": '"mid-supply"',
        **keys,
    }
    lines = "\n".join(f"{key} = {value}" for key, value in own.items())
    return f'\n[[channel]]\nname = "{channel}"\nphase = "{phase}"\n{lines}\n'

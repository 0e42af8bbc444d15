"""Benches with seeded faults, alone and in pairs, and healthy ones that are easily taken for faulty.

An own simulation of a three-phase motor bench: bench file, bytes, and what is wrong.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from fault_bench import draw_bench, draw_motion
from fault_chain import PHASES, draw_codes
from fault_currents import draw_currents
from fault_files import bench_text, column_names, draw_link, sent_bytes

SINGLES = """
no-signal stuck floating clipped reversed swapped scale zero-off reference-setup missing-phase noisy
drift range-small range-tight bandwidth aliasing skew rate link bus pair
""".split()
PAIRS = [
    tuple(pair.split("+"))
    for pair in """
reversed+zero-off scale+noisy clipped+link zero-off+link noisy+range-tight rate+reversed scale+zero-off
stuck+link skew+noisy bandwidth+zero-off swapped+zero-off reversed+noisy aliasing+zero-off drift+link
floating+zero-off bus+zero-off no-signal+noisy rate+scale range-small+reversed swapped+noisy
missing-phase+link reference-setup+noisy scale+link reversed+scale pair+zero-off skew+link swapped+link
bus+noisy stuck+noisy clipped+zero-off
""".split()
]
HEALTHY = """
normal normal light align six-step rc-clock rest normal delays low-side run-up
""".split()
OF_NO_CHANNEL = {"swapped", "range-small", "range-tight", "aliasing", "rate", "link", "bus", "pair"}
"""Faults that are not of one channel, or of which it cannot be known of which."""

GROUPS = {"healthy": 0, "single": 1, "pair": 2}


@dataclass(frozen=True)
class Case:
    """A bench: its file, its bytes, and what is wrong with it.

    Attributes
    ----------
    faults
        Kind of each fault and its channel, None where it is not of one.
    stands
        Whether the machine stands still at some time, so that zeros can be seen.
    pair
        Name of the second sensor in a phase, if there is one.
    """

    name: str
    faults: list[tuple[str, str | None]]
    bench: str
    stream: bytes
    stands: bool
    pair: str | None
    says: dict[str, Any]

    def __str__(self) -> str:
        faults = " + ".join(f"{kind}({channel})" for kind, channel in self.faults) or "healthy"
        return f"{self.name} {faults} {self.says}"


def seeded_case(seed: int, group: str, index: int) -> Case:
    """Case `index` of a group: healthy, single or pair."""
    faults, variant = (), ""
    if group == "healthy":
        variant = HEALTHY[index % len(HEALTHY)]
    elif group == "single":
        faults = (SINGLES[index % len(SINGLES)],)
    else:
        faults = PAIRS[index % len(PAIRS)]
    rng = np.random.default_rng([seed, GROUPS[group], index])
    bench = draw_bench(rng, faults, variant)
    motion = draw_motion(rng, bench)
    currents, delays = draw_currents(rng, bench, motion)
    channels, codes, bus_shunt = draw_codes(rng, bench, motion, currents)
    link = draw_link(rng, bench)
    stream = sent_bytes(rng, bench, motion, link, codes, column_names(channels, bus_shunt))
    name = f"seed {seed} {group} {index}"
    return Case(
        name=name,
        faults=[
            (fault, None if fault in OF_NO_CHANNEL else PHASES[bench.channel_of[fault]]) for fault in faults
        ],
        bench=bench_text(name, bench, link, channels, delays, bus_shunt),
        stream=stream,
        stands=bool(motion.still_s or motion.rest),
        pair=channels[3].name if len(channels) > 3 else None,
        says={
            "variant": variant,
            "wire": bench.wire,
            "rate": bench.rate,
            "bits": bench.bits,
            "place": bench.place,
            "hertz": round(motion.hertz, 1),
            "load": round(motion.load, 2),
            "seconds": round(motion.seconds, 1),
            "still_s": round(motion.still_s, 1),
            "rest": motion.rest,
            **bench.seeded,
        },
    )

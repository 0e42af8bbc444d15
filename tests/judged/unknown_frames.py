"""Framed packets, described or not, with the truth beside them.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

import json

import numpy as np
from plain_bytes import pack_codes, packet
from unknown_signals import NAMES, ROLES, signals

CODE_BYTES = {"u16": 2, "i16": 2, "u12": 1.5, "i32": 4}


def _draw_layout(rng):
    channels = int(rng.choice([1, 2, 3, 4, 5, 6], p=[0.06, 0.12, 0.4, 0.22, 0.1, 0.1]))
    code = str(rng.choice(list(CODE_BYTES), p=[0.5, 0.2, 0.2, 0.1]))
    bits = 12
    if code != "u12":
        bits = int(rng.choice([16, 20] if code == "i32" else [10, 12, 16]))
    return {
        "wire": "framed",
        "channels": channels,
        "names": [NAMES[role] for role in ROLES[channels]],
        "code": code,
        "bits": bits,
        "described": bool(rng.random() < 0.6),
        "rate": float(rng.choice([2000, 5000, 10000, 20000, 40000])),
    }


def _draw_sizes(rng, truth, size):
    """Scans of each packet, and the most that one has."""
    most = int(rng.choice([5, 10, 16, 20, 30]))
    vary = rng.random() < 0.3
    packets = max(10, int(size / (most * truth["channels"] * CODE_BYTES[truth["code"]] + 10)))
    if vary:
        return rng.integers(max(1, most // 2), most + 1, packets), most
    return np.full(packets, most), most


def framed_stream(rng, size):
    """Truth and packets of about `size` bytes."""
    truth = _draw_layout(rng)
    sizes, most = _draw_sizes(rng, truth, size)
    roles = ROLES[truth["channels"]]
    values, truth["mode"] = signals(rng, int(sizes.sum()), truth["rate"], roles, truth["bits"])
    if truth["code"] in ("i16", "i32"):
        values = values - (1 << (truth["bits"] - 1))
    boot = int(rng.integers(1, 2**31))
    group = {
        "rate_hz": truth["rate"],
        "code": truth["code"],
        "bits": truth["bits"],
        "channels": truth["names"],
    }
    described = json.dumps({"livesense": 1, "device": "bench", "boot": boot, "groups": [group]}).encode()
    first = int(rng.integers(0, 2**31 if rng.random() < 0.5 else 60000))
    every = max(5, int(truth["rate"] / most / 4))
    units, at = [], 0
    for k, scans in enumerate(sizes.tolist()):
        if truth["described"] and k % every == min(3, every - 1):
            units.append(packet(b"D", described))
        if rng.random() < 0.005:
            units.append(packet(b"N", b"ramp done"))
        count = ((first + at) % 2**32).to_bytes(4, "little")
        units.append(packet(b"S", b"\0" + count + pack_codes(values[at : at + scans], truth["code"])))
        at += scans
    return truth, units, {"channels": values}

"""The bench file of a drawn bench, and its bytes on the wire.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
from fault_bench import REFERENCE_V
from fault_chain import DIVIDER
from plain_bytes import CHECK_BYTES, check_of, packet, to_bytes


@dataclass(frozen=True)
class Link:
    """How the scans are sent; `stated_rate` is what the file says of it."""

    stated_rate: float
    clock: bool
    counter: bool
    scans: int
    check: str


def draw_link(rng, bench):
    stated = bench.rate
    if bench.has("rate"):
        stated = float(bench.rate * rng.choice([0.8, 1.25, 0.5, 2.0, 0.88]))
        bench.seeded["rate"] = [stated, bench.rate]
    framed = bench.wire == "framed"
    clock = bench.has("rate") or (not framed and rng.random() < 0.4 and bench.variant != "rc-clock")
    counter = framed or bench.has("link") or rng.random() < 0.7
    scans = int(rng.choice([1, 4, 8])) if bench.wire == "record" else 1
    check = "none"
    if bench.wire == "record":
        check = str(rng.choice(["crc16-modbus", "crc8", "crc16-ibm-3740"]))
    return Link(stated, bool(clock), bool(counter), scans, check)


def _link_text(bench, link, names):
    first = ["n"] * link.counter + ["t_us"] * link.clock
    lines = ["[link]", f'wire = "{bench.wire}"']
    if bench.wire == "text":
        lines.append("columns = [" + ", ".join(f'"{name}"' for name in first + names) + "]")
    if bench.wire == "record":
        fields = [f"{name}:u32" for name in first] + [f"{name}:u16" for name in names]
        lines += [
            "[link.record]",
            'sync = "A5 5A"',
            "fields = [" + ", ".join(f'"{field}"' for field in fields) + "]",
            f'check = "{link.check}"',
            f"scans = {link.scans}",
        ]
    if bench.wire != "framed":
        lines += ["[[group]]", f'rate = "{link.stated_rate:g} Hz"']
    return lines


def _sensor_text(bench, shunt, reference):
    limits = bench.limits
    return [
        'sensor = "shunt"',
        f'shunt = "{shunt * 1e3:g} mΩ"',
        f'shunt_tolerance = "{limits["shunt"] * 100:g} %"',
        f"gain = {bench.gain}",
        f'gain_error = "{limits["gain"] * 100:g} %"',
        f'offset = "{limits["offset"] * 1e6:g} µV"',
        f'reference = "{reference}"',
    ]


def bench_text(name, bench, link, channels, delays, bus_shunt):
    """The bench file: what the owner believes."""
    names = column_names(channels, bus_shunt)
    lines = ["[bench]", f'name = "{name}"', f'bus_voltage = "{bench.volts:g} V"']
    lines += _link_text(bench, link, names)
    lines += [
        "[adc]",
        f"bits = {bench.bits}",
        f'reference = "{REFERENCE_V} V"',
        'reference_tolerance = "0.2 %"',
    ]
    lines += ['offset_error = "2 LSB"', 'inl = "1.5 LSB"', 'gain_error = "0.1 %"']
    lines += ["[motor]", f"pole_pairs = {bench.pole_pairs}", f'rated_current = "{bench.rated:.4g} A"']
    lines += ['sequence = "UVW"', f'resistance = "{bench.resistance * 1e3:.4g} mΩ"']
    for k, channel in enumerate(channels):
        lines += ["[[channel]]", f'name = "{channel.name}"', f'phase = "{"UVW"[channel.phase]}"']
        lines += [f'place = "{channel.place}"', 'delay_tolerance = "0.2 us"']
        lines += _sensor_text(bench, bench.shunt, channel.stated_reference)
        if bench.variant == "low-side":
            lines.append('sampled_at = "low-on"')
        if delays is not None and 0 < k < 3:
            lines.append(f'delay = "{delays[k] * 1e6:g} us"')
    if bus_shunt:
        lines += ["[[channel]]", 'name = "ibus"', 'phase = "bus"']
        lines += _sensor_text(bench, bus_shunt, "mid-supply")
        lines += ["[[channel]]", 'name = "vbus"', 'phase = "bus"', 'sensor = "divider"']
        lines += [f"ratio = {DIVIDER[bench.volts]}", 'ratio_tolerance = "0.5 %"']
    return "\n".join(lines) + "\n"


def column_names(channels, bus_shunt):
    return [channel.name for channel in channels] + ["ibus", "vbus"] * bool(bus_shunt)


def _packets(rng, bench, codes, names, first):
    per = int(rng.choice([10, 20, 30]))
    group = {"rate_hz": bench.rate, "code": "u16", "bits": bench.bits, "channels": names}
    described = packet(b"D", json.dumps({"livesense": 1, "boot": 7, "groups": [group]}).encode())
    units, every = [], max(1, int(bench.rate / per))
    for k, at in enumerate(range(0, len(codes) - per + 1, per)):
        if k % every == 0:
            units.append(described)
        count = ((first + at) % 2**32).to_bytes(4, "little")
        units.append(packet(b"S", b"\0" + count + codes[at : at + per].astype("<u2").tobytes()))
    return units


def _records(link, codes, first, ticks):
    number = len(codes) // link.scans
    whole = number * link.scans
    parts = [to_bytes(first + np.arange(number), 4, "little")] * link.counter
    parts += [to_bytes(ticks[: whole : link.scans], 4, "little")] * link.clock
    parts.append(codes[:whole].astype("<u2").reshape(number, -1).view(np.uint8))
    fields = np.concatenate(parts, 1)
    check = to_bytes(check_of(link.check, fields), CHECK_BYTES[link.check], "little")
    sync = np.tile(np.frombuffer(b"\xa5\x5a", np.uint8), (number, 1))
    return [row.tobytes() for row in np.concatenate([sync, fields, check], 1)]


def _lines(link, codes, first, ticks):
    columns = [first + np.arange(len(codes))] * link.counter + [ticks] * link.clock
    rows = np.column_stack([*columns, codes]).tolist()
    return [(",".join(map(str, row)) + "\n").encode() for row in rows]


def _lossy(rng, bench, units):
    """Some units lost, as many damaged."""
    share = bench.seeded["loss"] = float(rng.uniform(0.01, 0.025))
    kept = []
    for unit, lot in zip(units, rng.random(len(units)), strict=True):
        if lot < share / 2:
            continue
        data = bytearray(unit)
        if lot < share:
            data[len(data) // 2] ^= 0x15
        kept.append(bytes(data))
    return kept


def sent_bytes(rng, bench, motion, link, codes, names):
    """All that comes over the wire."""
    first = int(rng.integers(0, 2**20))
    ticks = np.floor(motion.t * 1e6).astype(np.int64) + int(rng.integers(0, 10**6))
    if bench.wire == "framed":
        units = _packets(rng, bench, codes, names, first)
    elif bench.wire == "record":
        units = _records(link, codes, first, ticks)
    else:
        units = _lines(link, codes, first, ticks)
    return b"".join(_lossy(rng, bench, units) if bench.has("link") else units)

"""Captures of records as firmware makes them from a struct: fields of mixed types, blocks out of a buffer.

Other habits than those of unknown_records.py: header bytes that stay, currents beside a bus voltage, a
temperature and a speed of other widths, triples of two sensors, clocks that began at power-on, long rests.
Written from docs/wire.md alone; imports no livesense.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from declared_records import TYPE_BYTES
from plain_bytes import CHECK_BYTES, check_of, to_bytes
from unknown_streams import Stream, captured

SYNCS = ["AA", "A5", "7E", "5A A5", "AA 55", "EB 90", "55 AA", "FA FB", "FE EF", "AA AA 55", "C0 FF EE 01"]
CHECKS = ["none", "none", "sum8", "sum8", "xor8", "crc8", "crc16-modbus", "crc16-ibm-3740", "crc32"]
MODES = ["run", "run", "run", "mixed", "rest"]
FEWEST_RECORDS = 30


@dataclass(frozen=True)
class Item:
    """A field of a struct: what it is, its type, what it shows, and the full range of that in codes."""

    name: str
    type: str
    shows: str
    full: float = 0.0

    @property
    def width(self) -> int:
        return TYPE_BYTES[self.type]


def _currents(rng):
    """Two or three phases in one type; one as wide as its converter, moved to the top, or scaled."""
    kind = str(rng.choice(["u16", "u16", "i16", "i16", "left", "i24", "i32", "f32", "u8"]))
    count = int(rng.choice([2, 3, 3, 3]))
    bits = {"u8": 8, "i24": 22, "i32": int(rng.choice([14, 18, 22])), "f32": 12, "left": 16}.get(kind)
    full = float(1 << (bits or int(rng.choice([10, 12, 12, 12, 14, 16]))))
    kind = str(rng.choice(["u16", "i16"])) if kind == "left" else kind
    return [Item(f"i{p}", kind, f"phase{n}", full) for n, p in enumerate("uvw"[:count])], bits == 16


def _payload(rng):
    """Items of one scan, and whether their codes stand at the top of the word."""
    which = rng.random()
    if which < 0.4:
        return _currents(rng)
    if which < 0.75:
        items, left = _currents(rng)
        items.append(Item("vbus", items[0].type, "bus", items[0].full))
        if rng.random() < 0.5:
            items.append(Item("temp", str(rng.choice(["u8", "i16", "u16"])), "slow", 200.0))
        if rng.random() < 0.4:
            items.append(Item("speed", str(rng.choice(["i16", "u16", "f32", "i32"])), "speed", 6000.0))
        return items, left
    sensor = [Item(f"g{n}", "i16", f"phase{n}", 20000.0) for n in range(3)]
    if rng.random() < 0.6:
        sensor += [Item(f"w{n}", "i16", f"turn{n}", 4000.0) for n in range(3)]
    if rng.random() < 0.5:
        sensor.append(Item("temp", "i16", "slow", 4000.0))
    return sensor, False


def _layout(rng):
    items, left = _payload(rng)
    sync = str(rng.choice(SYNCS)) if rng.random() < 0.92 else ""
    check = str(rng.choice(CHECKS if sync else CHECKS[6:]))
    scans = int(rng.choice([1, 1, 1, 1, 4, 6, 8, 12])) if len({i.type for i in items}) == 1 else 1
    head = [name for name, share in (("type", 0.3), ("length", 0.3)) if sync and rng.random() < share]
    counter = str(rng.choice(["", "u8", "u8", "u16", "u32"]))
    clock = str(rng.choice(["", "", "t_us", "t_us", "t_ms"]))
    middle = ([counter] if counter else []) + ([clock] if clock else [])
    tail = [name for name, share in (("status", 0.3), ("spare", 0.15)) if rng.random() < share]
    rate = float(rng.choice([500, 1000, 2000, 3906.25, 4000, 5000, 10000, 20000]))
    return {
        "wire": "record",
        "items": items,
        "left": left,
        "sync": sync,
        "sync_bytes": len(bytes.fromhex(sync)),
        "check": check,
        "check_over": "all" if sync and rng.random() < 0.25 else "fields",
        "endian": str(rng.choice(["little", "little", "big"])),
        "scans": scans,
        "counter": counter,
        "counts": "scans" if counter and scans > 1 and rng.random() < 0.4 else "records",
        "clock": clock,
        "rate": rate,
        "mode": str(rng.choice(MODES)),
        "order": [*head, *middle, "", *tail],
        "undeclarable": not sync and check == "none",
    }


def _shown(rng, item, t, running, hertz):
    """Values of one item over time, right-aligned, about zero where it may be negative."""
    noise = rng.normal(0, rng.uniform(0.5, 2.0) * max(1.0, item.full / 4096), len(t))
    angle = 2 * np.pi * hertz * t
    if item.shows.startswith("phase"):
        size = item.full * rng.uniform(0.05, 0.4)
        wave = running * size * np.sin(angle - int(item.shows[-1]) * 2 * np.pi / 3)
        return wave + noise + (0 if item.type[0] in "if" else item.full / 2)
    if item.shows.startswith("turn"):
        slow = np.sin(0.13 * angle + int(item.shows[-1]))
        return running * 0.3 * item.full * slow + noise
    if item.shows == "bus":
        level = item.full * rng.uniform(0.2, 0.4)
        return level + running * 0.02 * item.full * np.sin(6 * angle) + noise
    if item.shows == "slow":
        return item.full * rng.uniform(0.2, 0.6) + np.cumsum(rng.normal(0, 0.01, len(t)))
    return running * item.full * 0.3 + noise * rng.choice([0.0, 1.0])


def _codes(rng, truth, scans):
    """Values (scans, items), as they are sent."""
    t = np.arange(scans) / truth["rate"]
    running = np.ones(scans) if truth["mode"] == "run" else np.zeros(scans)
    if truth["mode"] == "mixed":
        running = ((np.arange(scans) / scans * rng.integers(2, 6)).astype(int) % 2).astype(float)
    hertz = truth["rate"] * np.exp(rng.uniform(np.log(1 / 400), np.log(1 / 20)))
    columns = []
    for item in truth["items"]:
        value = _shown(rng, item, t, running, hertz)
        if item.type == "f32":
            columns.append((value * np.float64(50.0 / 4096)).astype(np.float32).astype(np.float64))
            continue
        least, most = (-item.full / 2, item.full / 2 - 1) if item.type[0] == "i" else (0, item.full - 1)
        columns.append(np.clip(np.rint(value), least, most))
    values = np.stack(columns, 1)
    return np.floor(values / 16) * 16 if truth["left"] else values


def _item_bytes(values, item, endian):
    if item.type == "f32":
        return values.astype("<f4" if endian == "little" else ">f4").view(np.uint8).reshape(-1, 4)
    return to_bytes(values, item.width, endian)


def _other(rng, truth, name, records, values):
    """Bytes (records, width) of what is no channel."""
    if name == truth["counter"] and name:
        width = TYPE_BYTES[name]
        return to_bytes(values["n"] & ((1 << 8 * width) - 1), width, truth["endian"])
    if name == truth["clock"] and name:
        return to_bytes(values["t"] & 0xFFFFFFFF, 4, truth["endian"])
    if name == "status":
        state = np.full(records, int(rng.choice([0, 1, 0x10, 0x80])))
        if rng.random() < 0.5:
            state[records // 3 :] |= 2
        return state[:, None].astype(np.uint8)
    return np.full((records, 1), {"type": int(rng.integers(1, 64)), "spare": 0}.get(name, 0), np.uint8)


def _tickers(rng, truth, records):
    per_record = truth["scans"] / truth["rate"]
    step = truth["scans"] if truth["counts"] == "scans" else 1
    began = int(rng.choice([0, rng.integers(1, 5000), rng.integers(1, 100000)]))
    n = (began + np.arange(records, dtype=np.int64)) * step
    unit = 1e6 if truth["clock"] == "t_us" else 1e3
    up_s = rng.uniform(0.5, 4000)
    late = rng.integers(0, int(rng.choice([1, 2, 4])), records) if truth["clock"] == "t_us" else 0
    t = np.floor((up_s + np.arange(records) * per_record) * unit).astype(np.int64) + late
    return n, t


def struct_stream(seed: int, number: int) -> Stream:
    """Capture `number` of a seed, 3 to 120 kB."""
    rng = np.random.default_rng([seed, number, 77])
    truth = _layout(rng)
    size = int(np.exp(rng.uniform(np.log(3000), np.log(120000))))
    endian, items = truth["endian"], truth["items"]
    scan_bytes = sum(item.width for item in items)
    widths = {"t_us": 4, "t_ms": 4, **TYPE_BYTES}
    others = sum(widths.get(name, 1) for name in truth["order"] if name)
    behind = others + scan_bytes * truth["scans"] + CHECK_BYTES[truth["check"]]
    truth["length"] = truth["sync_bytes"] + behind
    records = max(FEWEST_RECORDS, size // truth["length"])
    n, t = _tickers(rng, truth, records)
    codes = _codes(rng, truth, records * truth["scans"])
    values = {"n": n, "t": t, "channels": codes.reshape(records, truth["scans"], len(items))}
    sync = np.frombuffer(bytes.fromhex(truth["sync"]), np.uint8)
    blocks, at, truth["fields"] = [np.tile(sync, (records, 1))], len(sync), []
    for name in truth["order"]:
        if name:
            block = _other(rng, truth, name, records, values)
            if name == "length":
                block[:] = behind & 255
            role = "n" if name == truth["counter"] else name
            truth["fields"].append((role, at, block.shape[1]))
        else:
            truth["first_channel_at"] = at
            parts = [_item_bytes(codes[:, k], item, endian) for k, item in enumerate(items)]
            block = np.concatenate(parts, 1).reshape(records, -1)
        blocks.append(block)
        at += block.shape[1]
    rows = np.concatenate(blocks, 1)
    truth["check_endian"] = endian
    if truth["check"] != "none":
        over = rows if truth["check_over"] == "all" else rows[:, truth["sync_bytes"] :]
        check = to_bytes(check_of(truth["check"], over), CHECK_BYTES[truth["check"]], endian)
        rows = np.concatenate([rows, check], 1)
    damage = bool(rng.random() < 0.15)
    raw, places = captured(rng, [row.tobytes() for row in rows], damage)
    truth.update(seed=seed, number=number, bytes=len(raw), damage=damage)
    return Stream(truth, raw, places, values)

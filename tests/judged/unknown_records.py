"""Fixed-length records of a layout drawn by lot, with the truth beside them.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

import numpy as np
from plain_bytes import CHECK_BYTES, check_of, to_bytes
from unknown_signals import ROLES, signals

SYNCS = {
    1: ["7E", "A5", "AA", "55", "C0"],
    2: ["A5 5A", "AA 55", "55 AA", "DE AD", "EB 90", "FF FE", "FE ED"],
    3: ["AA 55 01", "A5 5A 33", "7E 7E 81"],
    4: ["55 AA 55 AA", "DE AD BE EF", "A5 A5 5A 5A", "CA FE 00 01"],
}
CODINGS = {
    "u16": (2, 0.42),
    "u16left": (2, 0.07),
    "i16": (2, 0.17),
    "i16left": (2, 0.06),
    "u8": (1, 0.05),
    "u32": (4, 0.04),
    "i32": (4, 0.06),
    "f32": (4, 0.07),
    "u24": (3, 0.03),
    "i24": (3, 0.03),
}
"""Bytes and share of each coding of the channels."""

CHECK_SHARES = [0.25, 0.12, 0.10, 0.1, 0.13, 0.15, 0.07, 0.08]
RATES = [1000, 2000, 5000, 8000, 10000, 12500, 16000, 20000, 25000, 40000]
FEWEST_RECORDS = 12


def _draw_bits(rng, coding):
    if coding == "u8":
        bits = 8
    elif coding in ("u24", "i24"):
        bits = 24
    else:
        bits = int(rng.choice([10, 12, 14, 16], p=[0.12, 0.56, 0.12, 0.2]))
    if coding.endswith("left") and bits == 16:
        bits = 12
    if coding in ("u32", "i32"):
        bits = int(rng.choice([12, 16, 20, 24]))
    return bits


def _draw_check(rng, sync_bytes):
    check = str(rng.choice(list(CHECK_BYTES), p=CHECK_SHARES))
    if sync_bytes == 0 and check == "none" and rng.random() < 0.75:
        check = str(rng.choice(["crc16-modbus", "crc8", "sum8", "crc32"]))
    return check


def _draw_layout(rng):
    """All that can be told of a record but the order of its fields."""
    channels = int(rng.choice([1, 2, 3, 4, 5, 6], p=[0.06, 0.12, 0.37, 0.22, 0.11, 0.12]))
    coding = str(rng.choice(list(CODINGS), p=[share for _, share in CODINGS.values()]))
    bits = _draw_bits(rng, coding)
    endian = str(rng.choice(["little", "big"], p=[0.68, 0.32]))
    sync_bytes = int(rng.choice([0, 1, 2, 3, 4], p=[0.1, 0.2, 0.5, 0.07, 0.13]))
    check = _draw_check(rng, sync_bytes)
    scans = int(rng.choice([1, 2, 4, 5, 8, 10, 16], p=[0.62, 0.08, 0.09, 0.04, 0.09, 0.04, 0.04]))
    counter = int(rng.choice([0, 1, 2, 4], p=[0.3, 0.28, 0.22, 0.2]))
    counts = "scans" if counter and scans > 1 and rng.random() < 0.35 else "records"
    clock = str(rng.choice(["", "t_us", "t_ms"], p=[0.65, 0.25, 0.1]))
    rate = float(rng.choice(RATES))
    if clock == "t_ms":
        rate = float(rng.choice([800, 1500, 2500])) * (1 if scans == 1 else 2)
    return {
        "wire": "record",
        "channels": channels,
        "roles": ROLES[channels],
        "coding": coding,
        "bits": bits,
        "width": CODINGS[coding][0],
        "endian": endian,
        "sync_bytes": sync_bytes,
        "check": check,
        "scans": scans,
        "counter": counter,
        "counts": counts,
        "clock": clock,
        "rate": rate,
    }


def _draw_order(rng, truth):
    """Fields (name, bytes) right after the sync word, before the channels, and behind them."""
    head, middle, tail = [], [], []
    if truth["sync_bytes"] and rng.random() < 0.15:
        head.append(("type", 1))
    if truth["sync_bytes"] and rng.random() < 0.12:
        head.append(("length", 1))
    if truth["counter"]:
        middle.append(("n", truth["counter"]))
    if truth["clock"]:
        middle.append((truth["clock"], 4))
    if len(middle) == 2 and rng.random() < 0.2:
        middle.reverse()
    if middle and rng.random() < 0.1:
        tail, middle = middle, []
    if rng.random() < 0.18:
        (middle if rng.random() < 0.5 else tail).append(("status", 1))
    if rng.random() < 0.12:
        tail.append(("pad", int(rng.choice([1, 2, 3]))))
    return head, middle, tail


def _coded(codes, coding, bits):
    """Codes as the channels carry them."""
    half = 1 << (bits - 1)
    if coding == "f32":
        return ((codes - half) * np.float64(33.0 / (1 << bits))).astype(np.float32)
    signed = codes - (half if coding[0] == "i" else 0)
    return signed << (16 - bits) if coding.endswith("left") else signed


def _draw_other_fields(rng, truth, records):
    """Counter, clock, status and padding of every record."""
    wide = 8 * truth["counter"]
    first = int(rng.integers(0, 1 << min(wide, 20))) if wide else 0
    step = truth["scans"] if truth["counts"] == "scans" else 1
    period = truth["scans"] / truth["rate"] * (1e6 if truth["clock"] == "t_us" else 1e3)
    begin = int(rng.integers(0, 2**31))
    ticks = begin + np.floor(np.arange(records) * period + rng.uniform(0, 1)).astype(np.int64)
    if truth["clock"] == "t_us" and rng.random() < 0.5:
        ticks = ticks + rng.integers(-1, 2, records)
    counts = first + np.arange(records, dtype=np.int64) * step
    status = np.full(records, int(rng.integers(0, 4)))
    if rng.random() < 0.5:
        status[int(records * rng.uniform(0.2, 0.8)) :] += 1
    return {"n": counts, "t": ticks, "status": status, "pad": int(rng.choice([0, 255, 0]))}


def _field_bytes(rng, name, width, truth, values, after_sync):
    """Bytes (records, width) of a field that is no channel."""
    records = len(values["n"])
    if name == "n":
        return to_bytes(values["n"] & ((1 << 8 * width) - 1), width, truth["endian"])
    if name in ("t_us", "t_ms"):
        return to_bytes(values["t"] & 0xFFFFFFFF, width, truth["endian"])
    if name == "status":
        return to_bytes(values["status"], 1, truth["endian"])
    if name == "type":
        return np.full((records, 1), int(rng.integers(1, 8)), np.uint8)
    if name == "length":
        return np.full((records, 1), after_sync & 255, np.uint8)
    return np.full((records, width), values["pad"], np.uint8)


def _channel_bytes(values, truth):
    if truth["coding"] == "f32":
        typed = values.astype("<f4" if truth["endian"] == "little" else ">f4")
        return typed.view(np.uint8).reshape(truth["records"], -1)
    return to_bytes(values.reshape(-1), truth["width"], truth["endian"]).reshape(truth["records"], -1)


def _with_check(rng, truth, rows):
    """Rows with their check at the end."""
    over, check_endian = "fields", truth["endian"]
    if truth["check"] != "none":
        over = "all" if truth["sync_bytes"] and rng.random() < 0.3 else "fields"
        checked = rows if over == "all" else rows[:, truth["sync_bytes"] :]
        if rng.random() >= 0.85:
            check_endian = "big" if truth["endian"] == "little" else "little"
        check = check_of(truth["check"], checked)
        rows = np.concatenate([rows, to_bytes(check, CHECK_BYTES[truth["check"]], check_endian)], 1)
    truth.update(check_over=over, check_endian=check_endian)
    return rows


def record_stream(rng, size):
    """Truth, records, and the values in them, of about `size` bytes."""
    truth = _draw_layout(rng)
    head, middle, tail = _draw_order(rng, truth)
    word = str(rng.choice(SYNCS[truth["sync_bytes"]])) if truth["sync_bytes"] else ""
    sync = bytes.fromhex(word)
    others = sum(width for _, width in head + middle + tail)
    channel_bytes = truth["channels"] * truth["width"] * truth["scans"]
    length = len(sync) + others + channel_bytes + CHECK_BYTES[truth["check"]]
    records = max(FEWEST_RECORDS, size // length + 3)
    codes, mode = signals(rng, records * truth["scans"], truth["rate"], truth["roles"], truth["bits"])
    values = _coded(codes, truth["coding"], truth["bits"])
    truth.update(length=length, sync=sync.hex(" ").upper(), mode=mode, records=records, fields=[])
    rest = _draw_other_fields(rng, truth, records)
    blocks, at = [np.tile(np.frombuffer(sync, np.uint8), (records, 1))], len(sync)
    for name, width in [*head, *middle, ("", channel_bytes), *tail]:
        if name:
            blocks.append(_field_bytes(rng, name, width, truth, rest, length - len(sync)))
            truth["fields"].append((name, at, width))
        else:
            blocks.append(_channel_bytes(values, truth))
            truth["first_channel_at"] = at
        at += width
    rows = _with_check(rng, truth, np.concatenate(blocks, 1))
    rest["channels"] = values.reshape(records, truth["scans"], truth["channels"])
    return truth, [row.tobytes() for row in rows], rest

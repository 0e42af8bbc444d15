"""Lines of text of a layout drawn by lot, with the truth beside them.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

import functools
import operator

import numpy as np
from unknown_signals import NAMES, ROLES, signals

OWN_NAMES = {
    "iu": "phase_a",
    "iv": "phase_b",
    "iw": "phase_c",
    "vbus": "udc",
    "temp": "ntc",
    "ibus": "idc",
}
"""Names that a firmware may have of its own."""

NOTES = ["# ramp done", "# limit changed", "# state 2"]


def _draw_layout(rng):
    channels = int(rng.choice([1, 2, 3, 4, 5, 6], p=[0.06, 0.14, 0.4, 0.2, 0.1, 0.1]))
    decimals = int(rng.choice([0, 2, 3], p=[0.72, 0.16, 0.12]))
    signed = bool(decimals or rng.random() < 0.2)
    bits = int(rng.choice([10, 12, 16], p=[0.2, 0.6, 0.2]))
    counter = bool(rng.random() < 0.6)
    clock = str(rng.choice(["", "t_us", "t_ms"], p=[0.6, 0.3, 0.1]))
    separator = str(rng.choice([",", ";", "\t", " ", ", "], p=[0.5, 0.15, 0.15, 0.12, 0.08]))
    end = str(rng.choice(["\n", "\r\n"]))
    star = bool(rng.random() < 0.25)
    header = str(rng.choice(["none", "plain", "other"], p=[0.45, 0.4, 0.15]))
    notes = bool(rng.random() < 0.3)
    rate = float(rng.choice([80, 160, 400] if clock == "t_ms" else [200, 500, 800, 1000, 2000]))
    return {
        "wire": "text",
        "channels": channels,
        "decimals": decimals,
        "signed": signed,
        "bits": bits,
        "counter": counter,
        "clock": clock,
        "separator": separator,
        "end": end,
        "star": star,
        "header": header,
        "notes": notes,
        "rate": rate,
    }


def _draw_columns(rng, truth):
    """Names of the columns, counter and clock among them."""
    names = [NAMES[role] for role in ROLES[truth["channels"]]]
    first = ["n"] * truth["counter"] + [truth["clock"]] * bool(truth["clock"])
    if len(first) == 2 and rng.random() < 0.25:
        first.reverse()
    return first + names


def _line(text, truth, star=True):
    data = text.encode()
    if star and truth["star"]:
        data += b"*%02X" % functools.reduce(operator.xor, data, 0)
    return data + truth["end"].encode()


def _draw_ticks(rng, truth, lines):
    per_second = 1e6 if truth["clock"] == "t_us" else 1e3
    begin = int(rng.integers(0, 2**30))
    exact = np.arange(lines) * per_second / truth["rate"] + rng.uniform(0, 1)
    ticks = begin + np.floor(exact).astype(np.int64)
    if truth["clock"] == "t_us":
        ticks += rng.integers(-3, 4, lines)
    return ticks


def text_stream(rng, size):
    """Truth, lines, and the values in them, of about `size` bytes."""
    truth = _draw_layout(rng)
    lines = max(30, size // (8 + 6 * truth["channels"]))
    roles = ROLES[truth["channels"]]
    codes, truth["mode"] = signals(rng, lines, truth["rate"], roles, truth["bits"])
    values = codes - (1 << (truth["bits"] - 1)) if truth["signed"] else codes
    columns = _draw_columns(rng, truth)
    other = truth["header"] == "other"
    truth["names"] = [OWN_NAMES.get(name, name) if other else name for name in columns]
    truth["columns"] = [name if name == "n" or name.startswith("t_") else "channel" for name in columns]
    count = int(rng.integers(0, 50000)) if truth["counter"] else 0
    ticks = _draw_ticks(rng, truth, lines)
    headed = set()
    if truth["header"] != "none":
        headed = {0} if rng.random() < 0.5 else set(range(0, lines, max(20, lines // 5)))
    scale = 33.0 / (1 << truth["bits"])
    units = []
    for k in range(lines):
        if k in headed:
            units.append(_line(truth["separator"].join(truth["names"]), truth, star=False))
        if truth["notes"] and rng.random() < 0.01:
            units.append(_line(str(rng.choice(NOTES)), truth, star=False))
        numbers = [f"{v * scale:.{truth['decimals']}f}" if truth["decimals"] else f"{v:d}" for v in values[k]]
        first = [str(count + k if name == "n" else ticks[k]) for name in columns[: -truth["channels"]]]
        units.append(_line(truth["separator"].join(first + numbers), truth))
    shown = np.round(values * scale, truth["decimals"]) if truth["decimals"] else values
    return truth, units, {"channels": shown}

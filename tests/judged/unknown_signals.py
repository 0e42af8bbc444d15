"""Codes of a three-phase drive that runs, starts or stands still, for streams of unknown layout.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

import numpy as np

ROLES = {
    1: ["U"],
    2: ["U", "V"],
    3: ["U", "V", "W"],
    4: ["U", "V", "W", "bus"],
    5: ["U", "V", "W", "bus", "temp"],
    6: ["U", "V", "W", "bus", "temp", "ibus"],
}
NAMES = {"U": "iu", "V": "iv", "W": "iw", "bus": "vbus", "temp": "temp", "ibus": "ibus"}


def _turning(rng, t, rate, full):
    """Angle and amplitude over time, and what the machine does."""
    mode = rng.choice(["run", "start", "still"], p=[0.72, 0.16, 0.12])
    hertz = np.exp(rng.uniform(np.log(min(8, rate / 40)), np.log(min(400, rate / 12))))
    peak = full / 2 * np.exp(rng.uniform(np.log(0.06), np.log(0.85)))
    if mode == "run":
        return 2 * np.pi * hertz * t, peak * np.ones(len(t)), str(mode)
    if mode == "still":
        return 0 * t, 0 * t, str(mode)
    begin = t[-1] * rng.uniform(0.15, 0.5)
    part = np.clip((t - begin) / max(t[-1] * 0.4, 1e-3), 0, 1)
    amplitude = peak * np.where(t < begin, 0, np.where(part < 1, 1.0, 0.6))
    return 2 * np.pi * np.cumsum(hertz * part) / rate, amplitude, str(mode)


def signals(rng, scans, rate, roles, bits):
    """Right-aligned unsigned codes (scans, channels), and what the machine does."""
    full = 1 << bits
    angle, amplitude, mode = _turning(rng, np.arange(scans) / rate, rate, full)
    fine = max(1, full / 4096)
    noise = rng.uniform(0.6, 2.0) * fine
    begin = rng.uniform(0, 2 * np.pi)
    direction = rng.choice([-1, 1])
    columns = []
    for role in roles:
        middle = full / 2 + rng.normal(0, full * 0.003)
        if role in "UVW":
            at = angle + begin - direction * "UVW".index(role) * 2 * np.pi / 3
            wave = np.sin(at) + 0.03 * np.sin(5 * at) + 0.02 * np.sin(7 * at)
            column = middle + amplitude * (1 + rng.normal(0, 0.004)) * wave
        elif role == "bus":
            column = full * rng.uniform(0.45, 0.85) + amplitude / full * 6 * fine * np.sin(6 * angle)
        elif role == "temp":
            column = full * rng.uniform(0.2, 0.6) + np.cumsum(rng.normal(0, 0.002, scans))
        else:
            column = middle + amplitude * 0.5
        columns.append(column + rng.normal(0, noise * (0.5 if role == "temp" else 1), scans))
    return np.clip(np.rint(np.stack(columns, 1)), 0, full - 1).astype(np.int64), mode

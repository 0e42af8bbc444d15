"""Figure 4: from a pty into the logbook, and what full rate takes of a core; details: record.py."""

from __future__ import annotations

import os

from record import at_rate, full_speed
from table import Report

FAST_HZ = 400_000
"""Scans of four channels of two bytes: 3.2 MB/s, and the frames around them."""


def measure(report: Report, seconds: float, megabytes: int) -> None:
    """Add figure 4; POSIX only."""
    if os.name != "posix":
        print("    figure 4 needs ptys: left out here")
        return
    for rate_hz in (FAST_HZ, 20_000):
        speed = full_speed(megabytes, rate_hz)
        target = {"target": "≥ 0.35", "met": speed["ratio"] >= 0.35} if rate_hz == FAST_HZ else {}
        report.add(
            4, f"pty → logbook, as fast as it goes, said to be {rate_hz / 1000:g} kS/s",
            speed["megabytes_per_s"], "MB/s", "bare draining of that pty",
            speed["bare_drain_megabytes_per_s"], speed["ratio"], **target,
        )  # fmt: skip
        report.add(4, "scans lost in that", speed["scans_lost"], "", f"{speed['scans_sent']} sent")
    for rate_hz in (20_000, FAST_HZ):
        cost = at_rate(seconds, rate_hz)
        share = cost["share_of_core_percent"]
        target = {"target": "≤ 15 %", "met": share <= 15} if rate_hz == FAST_HZ else {}
        name = f"recording {cost['megabytes_per_s']:.2f} MB/s ({rate_hz / 1000:g} kS/s x 4)"
        report.add(4, name, share, "% of a core", f"{cost['scans_lost']} scans lost", **target)


if __name__ == "__main__":
    measure(Report(), 5.0, 50)

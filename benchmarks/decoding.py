"""Figures 1 and 2: the decoders beside what one would make of ready-made parts; details: decode.py."""

from __future__ import annotations

import numpy as np
from decode import cobs, framed_feeds, line_by_line, line_by_line_flat, parts, text_feeds
from table import Report, best_cpu_s, best_in_turn

from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import frames, text_lines

PASSES = 12


def measure(report: Report, megabytes: float) -> None:
    """Add both figures."""
    framed(report, int(megabytes * 1e6))
    text(report, int(megabytes * 1e6))


def framed(report: Report, total: int) -> None:
    rng = np.random.default_rng(1)
    group = GroupInfo(20000.0, CodeType.U16, 12, ("iu", "iv"))
    for payload in (12, 60, 240, 1000):
        scans = payload // 4
        count = total // payload * scans
        data = frames(0, 123456, rng.integers(0, 4096, (count, 2)), scans, CodeType.U16)
        carried = count * 4 / 1e6

        def decode(data: bytes = data) -> object:
            return framed_feeds(data, [group], 1 << 20)

        name = f"framed, {payload} B payload, CRC checked, codes kept"
        if cobs is None:
            report.add(1, name, carried / best_cpu_s(decode, PASSES), "MB/s", "cobs is not installed")
            continue
        spent = best_in_turn((decode, lambda data=data: parts(data)), PASSES)
        ours, other = (carried / seconds for seconds in spent)
        target = {"target": "≥ 1.0", "met": ours >= other} if payload == 240 else {}
        report.add(
            1, name, ours, "MB/s", "split + C cobs + C crc, nothing kept", other, ours / other, **target
        )


def text(report: Report, total: int) -> None:
    rng = np.random.default_rng(1)
    count = total // 20
    lines = text_lines(np.column_stack([np.arange(count), rng.integers(0, 4096, (count, 3))]))
    data = b"n,iu,iv,iw\n" + lines
    twins = ((line_by_line, "readline, split, int"), (line_by_line_flat, "the same into a flat list"))
    works = [lambda: text_feeds(data, 1 << 20), *(lambda twin=twin: twin(lines) for twin, _ in twins)]
    first, *others = best_in_turn(works, PASSES // 2)
    ours = len(data) / 1e6 / first
    for (twin, name), seconds in zip(twins, others, strict=True):
        other = len(lines) / 1e6 / seconds
        target = {"target": "≥ 10", "met": ours >= 10 * other} if twin is line_by_line else {}
        report.add(2, "text, a counter and three codes", ours, "MB/s", name, other, ours / other, **target)


if __name__ == "__main__":
    measure(Report(), 4.0)

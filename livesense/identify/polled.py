"""Requests and answers of a polled bus, which are no records: nobody but the master makes them come.

Frames of Modbus RTU as "MODBUS over Serial Line, Specification and Implementation Guide V1.02" (modbus.org)
has them, from memory: address, function, data, CRC with its lowest byte first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import Rows, whole
from livesense.samples import BoolArray
from livesense.wire.checksum import check_rows

REQUEST = 8
"""Bytes of a request to read."""

READS = (1, 2, 3, 4)
"""Functions that read."""

LOOKED_AT = 1 << 14
FEWEST = 6
SHARE = 0.5
"""Of the bytes that requests and their answers must make."""


def modbus_polls(raw: NDArray[np.uint8]) -> int:
    """Count requests to read that their answers follow; 0 where these do not make most of the bytes."""
    raw = raw[:LOOKED_AT]
    if len(raw) < FEWEST * REQUEST:
        return 0
    windows = np.lib.stride_tricks.sliding_window_view(raw, REQUEST)
    starts = np.flatnonzero(np.isin(windows[:, 1], READS))
    polls = taken = 0
    for start in starts[_right(windows[starts])].tolist():
        answer = raw[start + REQUEST :]
        size = 5 + int(answer[2]) if len(answer) > 2 else len(raw)
        if size > len(answer) or not np.array_equal(answer[:2], raw[start : start + 2]):
            continue
        if _right(answer[None, :size])[0]:
            polls, taken = polls + 1, taken + REQUEST + size
    return polls if polls >= FEWEST and taken > SHARE * len(raw) else 0


def _right(frames: Rows) -> BoolArray:
    """Tell which frames end in their right CRC; ``(frames,)``."""
    end = frames.shape[1] - 2
    return np.asarray(check_rows("crc16-modbus", frames[:, :end]) == whole(frames, end, 2, big=False))

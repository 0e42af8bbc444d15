"""Requests and answers of a polled bus, which are no records: nobody but the master makes them come.

Frames of Modbus RTU as "MODBUS over Serial Line, Specification and Implementation Guide V1.02" (modbus.org)
has them, from memory: address, function, data, CRC with its lowest byte first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import whole
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
    stated = whole(windows[starts], REQUEST - 2, 2, big=False)
    polls = taken = 0
    for start in starts[check_rows("crc16-modbus", windows[starts, : REQUEST - 2]) == stated].tolist():
        answer = raw[start + REQUEST :]
        size = 5 + int(answer[2]) if len(answer) > 2 else len(raw)
        if size > len(answer) or not np.array_equal(answer[:2], raw[start : start + 2]):
            continue
        if (
            check_rows("crc16-modbus", answer[None, : size - 2])[0]
            == whole(answer[None], size - 2, 2, big=False)[0]
        ):
            polls, taken = polls + 1, taken + REQUEST + size
    return polls if polls >= FEWEST and taken > SHARE * len(raw) else 0

"""A hash of what a run stored, that does not depend on how it is stored.

SHA-256 over, for each group in order and each whole stretch in order: index of its first scan, its codes scan
by scan in the order of the channels, number of its scans; each as a 64-bit little-endian integer (codes of
devices that send floats as 64-bit floats). Merging, compacting or copying changes nothing of it; one code or
one lost scan does.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable

import numpy as np

from livesense.logbook.run_reader import RunReader

CHUNK_SCANS = 1 << 18


def raw_digest(run: RunReader, progress: Callable[[int], None] | None = None) -> str:
    """Hash a run's codes; ``progress`` is told the number of scans of each piece."""
    found = hashlib.sha256()
    for group in range(len(run.groups)):
        first, stop = run.extent(group)
        begin = count = 0
        for at in range(first, stop, CHUNK_SCANS):
            for here, codes in run.codes(group, at, min(stop, at + CHUNK_SCANS)):
                if not count or here != begin + count:
                    if count:
                        found.update(struct.pack("<q", count))
                    begin, count = here, 0
                    found.update(struct.pack("<q", begin))
                held = "<f8" if codes.dtype.kind == "f" else "<i8"
                found.update(np.ascontiguousarray(codes, dtype=held).tobytes())
                count += len(codes)
                if progress is not None:
                    progress(len(codes))
        if count:
            found.update(struct.pack("<q", count))
    return found.hexdigest()

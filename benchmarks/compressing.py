"""Figure 3: bytes a sample of stored blocks, beside what linear prediction can give, and other packers."""

from __future__ import annotations

import zlib

import numpy as np
import zstandard
from pump import CHANNELS, codes
from table import Report

from livesense.logbook import codec

ORDER = 32
SECONDS = 20


def limit_bytes(column: np.ndarray) -> float:
    """Bytes a sample that linear prediction from 32 samples leaves: entropy of its rounded errors."""
    values = column.astype(np.float64) - column.mean()
    lags = np.array([values[: len(values) - lag] @ values[lag:] for lag in range(ORDER + 1)]) / len(values)
    table = lags[np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))]
    weights = np.linalg.solve(table + 1e-9 * lags[0] * np.eye(ORDER), lags[1:])
    predicted = np.convolve(values, weights)[ORDER - 1 : len(values) - 1]
    errors = np.rint(values[ORDER:] - predicted).astype(np.int64)
    counts = np.unique(errors, return_counts=True)[1] / len(errors)
    return float(-(counts * np.log2(counts)).sum() / 8)


def measure(report: Report) -> None:
    """Add figure 3 at two rates: currents and bus voltage, in blocks as a recorder writes them."""
    for rate_hz in (20_000, 100_000):
        sent = codes(SECONDS * rate_hz, rate_hz)
        step = min(rate_hz, codec.BLOCK_SCANS)
        columns = [np.ascontiguousarray(sent[:, k]) for k in range(len(CHANNELS))]
        samples = sent.size
        stored = sum(
            len(codec.encode(column[at : at + step]).data)
            for column in columns
            for at in range(0, len(column), step)
        )
        limit = float(np.mean([limit_bytes(column) for column in columns]))
        ours = stored / samples
        report.add(
            3, f"bytes a sample at {rate_hz / 1000:g} kS/s, in blocks", ours, "B",
            "order-32 prediction, entropy", limit, ours / limit, "≤ 1.3", ours / limit <= 1.3,
        )  # fmt: skip
        others = {
            "zlib 6": lambda part: zlib.compress(part.tobytes(), 6),
            "zstd 3": lambda part: zstandard.ZstdCompressor(level=3).compress(part.tobytes()),
            "zstd 19": lambda part: zstandard.ZstdCompressor(level=19).compress(part.tobytes()),
        }
        try:
            from pcodec import ChunkConfig, standalone

            others["pcodec"] = lambda part: standalone.simple_compress(part, ChunkConfig())
        except ImportError:
            print("    pcodec is not installed: left out (pip install pcodec)")
        for name, packed in others.items():
            size = sum(
                len(packed(column[at : at + step]))
                for column in columns
                for at in range(0, min(len(column), 5 * step), step)
            ) / (len(columns) * min(len(columns[0]), 5 * step))
            report.add(3, f"the same by {name}", size, "B", "ours", ours, size / ours)


if __name__ == "__main__":
    measure(Report())

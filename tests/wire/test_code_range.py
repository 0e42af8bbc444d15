"""How many codes lie beyond what their channel can give."""

from __future__ import annotations

import numpy as np
import pytest

from livesense.wire.packing import count_beyond


@pytest.mark.parametrize(
    ("codes", "limits", "beyond"),
    [
        (np.array([[0, 4095], [4096, 65535]], dtype=np.uint16), ((0, 4095), (0, 4095)), 2),
        (np.array([[-2048, 2047], [-2049, 2048]], dtype=np.int16), ((-2048, 2047), (-2048, 2047)), 2),
        # A limit of its own for each channel, and none.
        (np.array([[5, 5, 500]], dtype=np.int64), ((0, 4), (0, 9), None), 1),
        (np.array([[9, -9]], dtype=np.int64), (None, None), 0),
        # What is no number is within no limits.
        (np.array([[1.0], [np.nan], [np.inf], [-np.inf]], dtype=np.float32), ((-10, 10),), 3),
    ],
)
def test_codes_beyond_are_counted(
    codes: np.ndarray, limits: tuple[tuple[int, int] | None, ...], beyond: int
) -> None:
    assert count_beyond(codes, limits) == beyond

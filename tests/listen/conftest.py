"""Streams of the pump bench as packets, to be damaged or heard at a wrong rate."""

from __future__ import annotations

import random

import pytest
from plain_device import Sender, description_frame, group

CHANNELS = ("iu", "iv", "iw", "vbus")


@pytest.fixture
def framed_packets() -> list[bytes]:
    """A description and twenty frames of thirty scans."""
    sender = Sender(CHANNELS, low=1800, high=2300, seed=3)
    return [
        description_frame([group(CHANNELS)], device="pump-bench"),
        *(sender.packet(30) for _ in range(20)),
    ]


@pytest.fixture
def text_packets() -> list[bytes]:
    """Three hundred lines with a counter."""
    rng = random.Random(1)
    return [b"%d,%d,%d,%d\n" % (n, *(rng.randint(1800, 2300) for _ in range(3))) for n in range(300)]

"""What counts as no current at all."""

from __future__ import annotations

import math
from collections.abc import Sequence

from livesense.chain.channels import ChannelChain

STILL_SHARE = 0.005
"""Share of the range below which a current counts as none; the uncertainty of the zeros, where it is more."""

RATED_SHARE = 0.01
"""Share of the rated current's peak, where no range is known: a range is two to three times that."""


def still_below(channels: Sequence[ChannelChain]) -> float:
    """Length of the current vector (A, peak) that counts as no current; ``channels`` are the phases'."""
    span = max(min(abs(c.low), abs(c.high)) for c in channels)
    share = STILL_SHARE * span if math.isfinite(span) else RATED_SHARE * channels[0].rated_peak
    zeros = 2 * math.sqrt(sum(c.u_offset**2 for c in channels))
    codes = 4 * max(c.u_quantisation for c in channels) * math.sqrt(12)
    return max(share, zeros, codes)

"""What counts as no current: a share of the range, the zeros' uncertainty, or codes, whichever is most."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from livesense.chain import ChannelChain
from livesense.chain.no_current import still_below


def test_a_share_of_the_range(channel: Callable[..., ChannelChain]) -> None:
    # ±82.5 A and codes of 0.04 A: half a per cent of the range; known zeros.
    three = [channel(adc={"offset_error": '"0 LSB"', "inl": '"0 LSB"'}, offset='"0 V"') for _ in range(3)]
    assert still_below(three) == pytest.approx(0.005 * 82.46, rel=1e-3)


def test_zeros_that_are_not_known(channel: Callable[..., ChannelChain]) -> None:
    three = [channel(offset='"1 mV"') for _ in range(3)]
    assert still_below(three) == pytest.approx(2 * 3**0.5 * three[0].u_offset)


def test_coarse_codes(channel: Callable[..., ChannelChain]) -> None:
    three = [channel(adc={"bits": "8", "offset_error": '"0 LSB"', "inl": '"0 LSB"'}, offset='"0 V"')] * 3
    assert still_below(three) == pytest.approx(4 * 165 / 256, rel=0.01)

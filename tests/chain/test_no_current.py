"""What counts as no current: a share of the range, the zeros' uncertainty, or codes, whichever is most."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from livesense.chain import ChannelChain
from livesense.chain.no_current import still_below
from livesense.samples import CodeType


def test_a_share_of_the_range(channel: Callable[..., ChannelChain]) -> None:
    # ±82.5 A and codes of 0.04 A: half a per cent of the range; known zeros.
    three = [channel(adc={"offset_error": '"0 LSB"', "inl": '"0 LSB"'}, offset='"0 V"') for _ in range(3)]
    assert still_below(three) == pytest.approx(0.005 * 82.46, rel=1e-3)


def test_zeros_that_are_not_known(channel: Callable[..., ChannelChain]) -> None:
    three = [channel(offset='"1 mV"') for _ in range(3)]
    assert still_below(three) == pytest.approx(2 * 3**0.5 * three[0].u_offset)


@pytest.mark.parametrize(("code", "steps"), [(CodeType.F32, 0), (CodeType.I64, 4)])
def test_values_of_no_known_range(channel: Callable[..., ChannelChain], code: CodeType, steps: int) -> None:
    # A hundredth of the rated current's peak, where the file states one, or else four codes of 1 mA.
    keys = {"sensor": '"direct"', "unit": '"A"', "scale": "0.001"}
    three = [channel(keys, code=code) for _ in range(3)]
    assert still_below(three) == pytest.approx(0.001 * steps)
    rated = [replace(one, rated_peak=6 * 2**0.5) for one in three]
    assert still_below(rated) == pytest.approx(0.06 * 2**0.5)


def test_coarse_codes(channel: Callable[..., ChannelChain]) -> None:
    three = [channel(adc={"bits": "8", "offset_error": '"0 LSB"', "inl": '"0 LSB"'}, offset='"0 V"')] * 3
    assert still_below(three) == pytest.approx(4 * 165 / 256, rel=0.01)

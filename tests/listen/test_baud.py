"""Rates told from garbage: of a UART that is simulated bit by bit, so by another way than the model's."""

from __future__ import annotations

import random

import pytest
from uart import resampled

from livesense.listen.baud import USUAL_BAUDS, likely_rates

TOO_FAST = [
    (57600, 115200), (115200, 230400), (1_000_000, 2_000_000), (115200, 460800), (38400, 115200),
    (19200, 115200), (500_000, 921600), (921600, 1_000_000),
]  # fmt: skip
"""Sent, heard."""


@pytest.mark.parametrize(("sent", "heard"), TOO_FAST)
@pytest.mark.parametrize("off", [0.995, 1.0, 1.005])
def test_a_receiver_that_is_too_fast_tells_the_rate_of_frames(framed_packets, sent, heard, off):
    assert likely_rates(resampled(framed_packets, sent * off, heard).data, heard)[0] == sent


@pytest.mark.parametrize(("sent", "heard"), TOO_FAST)
def test_a_receiver_that_is_too_fast_tells_the_rate_of_text(text_packets, sent, heard):
    assert likely_rates(resampled(text_packets, sent, heard).data, heard)[0] == sent


@pytest.mark.parametrize(
    ("sent", "heard"), [(115200, 57600), (230400, 115200), (460800, 115200), (1_000_000, 921600)]
)
def test_a_receiver_that_is_too_slow_tells_the_rate_of_text(text_packets, sent, heard):
    assert likely_rates(resampled(text_packets, sent, heard).data, heard)[0] == sent


@pytest.mark.parametrize(("sent", "heard"), [(115200, 57600), (115200, 9600), (921600, 115200)])
def test_a_receiver_that_is_too_slow_never_looks_too_fast(framed_packets, text_packets, sent, heard):
    for packets in (framed_packets, text_packets):
        assert all(rate > heard for rate in likely_rates(resampled(packets, sent, heard).data, heard))


@pytest.mark.parametrize("baud", USUAL_BAUDS)
def test_right_bytes_and_noise_tell_nothing(framed_packets, text_packets, baud):
    noise = random.Random(baud).randbytes(2000)
    for data in (b"".join(framed_packets), b"".join(text_packets), noise):
        assert likely_rates(data, baud) == []


def test_few_bytes_and_zeros_tell_nothing():
    assert likely_rates(b"\x18\x86" * 20, 115200) == []
    assert likely_rates(bytes(5000), 115200) == []


def test_the_simulated_uart_hears_what_was_sent_at_the_right_rate(framed_packets):
    heard = resampled(framed_packets, 115200 * 1.01, 115200)
    assert heard.data == b"".join(framed_packets)
    assert heard.framing_errors == 0

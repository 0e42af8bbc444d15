"""The live picture: where it begins, how it is reduced, how it travels."""

import struct

import numpy as np
import pytest

from dashboard.picture import (
    HEADER,
    KIND_PICTURE,
    Picture,
    encode,
    encode_text,
    ladder_span,
    period_of,
    reduce_columns,
    rising_crossings,
    steady_window,
)

RATE_HZ = 20_000.0


def wave(frequency_hz, seconds=0.2, phase=0.0, noise=0.0, seed=1):
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(seed)
    return 6 * np.sin(2 * np.pi * frequency_hz * time_s + phase) + noise * rng.standard_normal(len(time_s))


def test_crossings_of_a_sine_lie_where_it_rises():
    found = rising_crossings(wave(50.0, phase=-0.3)) / RATE_HZ
    # The very first one is not counted: nothing shows that the wave was low before it.
    expected = 0.3 / (2 * np.pi * 50) + (1 + np.arange(len(found))) / 50
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_noise_moves_the_crossing_by_far_less_than_a_scan_of_a_pixel():
    spread = [rising_crossings(wave(50.0, noise=0.05, seed=s))[2] for s in range(40)]
    # 60 ms over 900 pixels: a pixel is 1.3 scans.
    assert np.std(spread) < 0.35


def test_chatter_around_zero_is_one_crossing():
    assert len(rising_crossings(wave(50.0, noise=0.6))) == pytest.approx(10, abs=1)


def test_six_step_current_is_caught_in_the_middle_of_its_pause():
    # 60 degrees at zero, 120 at +1, 60 at zero, 120 at -1 (definition of six-step operation).
    angle = (np.arange(4000) % 400) / 400 * 360
    six = np.where(angle < 60, 0.0, np.where(angle < 180, 1.0, np.where(angle < 240, 0.0, -1.0)))
    found = rising_crossings(six)
    np.testing.assert_allclose(np.diff(found), 400, atol=1)
    np.testing.assert_allclose(found % 400, 400 * 30 / 360, atol=2)


@pytest.mark.parametrize("values", [np.zeros(100), np.ones(100), np.array([1.0]), np.array([])])
def test_no_wave_no_crossing(values):
    assert len(rising_crossings(values)) == 0


def test_noise_alone_is_not_steady():
    rng = np.random.default_rng(3)
    assert all(steady_window(rng.standard_normal(4000), RATE_HZ, None) is None for _ in range(20))


def test_below_two_hertz_the_picture_runs():
    assert steady_window(wave(1.5, seconds=4.0), RATE_HZ, None) is None
    assert steady_window(wave(3.0, seconds=4.0), RATE_HZ, None) is not None


def test_a_wave_that_has_ended_is_not_held_still():
    ended = np.concatenate([wave(50.0, seconds=1.0), np.zeros(int(0.05 * RATE_HZ))])
    assert steady_window(ended, RATE_HZ, None) is None
    assert steady_window(ended[: int(1.01 * RATE_HZ)], RATE_HZ, None) is not None


def test_steady_picture_begins_at_the_last_crossing_that_leaves_room():
    start, span_s, frequency_hz = steady_window(wave(50.0), RATE_HZ, None)
    assert span_s == 0.06
    assert frequency_hz == pytest.approx(50.0, rel=1e-4)
    # Crossings lie at 0, 0.02 ... 0.18; the data ends at 0.2.
    assert start / RATE_HZ == pytest.approx(0.12, abs=1e-5)


def test_span_stays_while_the_speed_wanders_a_little():
    spans = set()
    span = None
    for frequency_hz in np.linspace(45, 55, 21):
        span = ladder_span(3 / frequency_hz, span)
        spans.add(span)
    assert len(spans) == 1


@pytest.mark.parametrize("wanted", [0.0011, 0.03, 0.07, 0.9, 1.2])
def test_spans_are_round_and_near_three_cycles(wanted):
    assert 0.7 <= ladder_span(wanted) / wanted <= 1.4


def test_uneven_periods_are_none():
    assert period_of(np.array([0.0, 100.0, 300.0])) is None
    assert period_of(np.array([0.0, 100.0])) is None
    assert period_of(np.array([0.0, 100.0, 201.0])) == pytest.approx(100.5)


def test_columns_hold_the_lowest_and_highest_value_and_do_not_move_with_the_window():
    values = np.arange(100.0)[None, :]
    marks = np.zeros((1, 100), bool)
    marks[0, 55] = True
    pairs, clipped, began = reduce_columns(values, marks, first=7, per_column=10)
    assert began == 10
    assert pairs[0, :4].tolist() == [3, 12, 13, 22]
    assert pairs.shape == (1, 18)
    assert clipped[0].nonzero()[0].tolist() == [10, 11]


def picture(**changes):
    usual = {
        "steady": True, "left_s": 1.5, "span_s": 0.06, "x0_s": -1e-5, "dx_s": 5e-5,
        "values": np.array([[1.5, -2.0, 3.0], [4.0, 5.0, 6.0]], np.float32),
        "clipped": np.array([[0, 1, 0], [0, 0, 0]], np.uint8),
        "reduced": False, "frequency_hz": 50.0, "newest_s": 1.56,
    }  # fmt: skip
    return Picture(**(usual | changes))


def test_a_picture_travels_as_its_length_header_values_and_marks():
    message = encode(picture())
    (length,) = struct.unpack_from("<I", message)
    assert length == len(message) - 4
    header = HEADER.unpack_from(message, 4)
    assert header == (KIND_PICTURE, 1, 2, 3, 1.5, 0.06, -1e-5, 5e-5, 1.56, 50.0)
    body = message[4 + HEADER.size :]
    assert np.frombuffer(body, "<f4", 6).tolist() == [1.5, -2, 3, 4, 5, 6]
    assert list(body[24:]) == [0, 1, 0, 0, 0, 0]


def test_values_stand_where_a_float32_array_may():
    assert HEADER.size % 8 == 0


def test_text_travels_with_its_kind():
    message = encode_text(2, '{"ü": 1}')
    (length,) = struct.unpack_from("<I", message)
    assert length == len(message) - 4
    assert message[4] == 2
    assert message[8:].decode() == '{"ü": 1}'

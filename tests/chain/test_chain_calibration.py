"""Lines through calibration points, held to published numbers, to libraries and to drawn benches."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from livesense.bench import parse
from livesense.chain import Chain, ChannelChain
from livesense.chain.calibration import (
    ChannelCalibration,
    Fit,
    MeterError,
    Point,
    Scale,
    Zero,
    fit_scale,
)
from livesense.samples import CodeType, GroupInfo

Make = Callable[..., ChannelChain]


def points(values: list[float], codes: list[float], u_code: float = 0.1, **more: object) -> list[Point]:
    return [Point(v, c, u_code, **more) for v, c in zip(values, codes, strict=True)]  # type: ignore[arg-type]


def test_two_points_give_the_line_through_them() -> None:
    # C: 50 A over 1240 codes.
    fit = fit_scale(points([0.0, 50.0], [2050.0, 3290.0]))
    assert fit.scale.per_code == pytest.approx(0.0403225806, abs=5e-11)
    assert fit.scale.zero_code == pytest.approx(2050.0)
    assert fit.residuals == pytest.approx((0, 0), abs=1e-9)
    assert fit.linearity == pytest.approx(0, abs=1e-9)
    assert fit.scatter == 1


def test_the_thermometer_of_the_guide() -> None:
    # JCGM 100:2008, H.3, table H.6 and its results for t0 = 20, from memory; they fit each other.
    readings = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    corrections = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    tiny = 1e-6
    fit = fit_scale([Point(b, t, 0.0, u_own=tiny) for t, b in zip(readings, corrections, strict=True)])
    scale = fit.scale
    at_20 = scale.per_code * (20 - scale.zero_code)
    assert at_20 == pytest.approx(-0.1712, abs=5e-5)
    assert scale.per_code == pytest.approx(0.00218, abs=5e-6)
    assert fit.scatter * tiny == pytest.approx(0.0035, abs=5e-5)
    u_slope = scale.u_relative * abs(scale.per_code)
    assert u_slope == pytest.approx(0.00067, abs=5e-6)
    u_at_20 = math.hypot(scale.u_pivot, scale.u_relative * (at_20 - scale.pivot))
    assert u_at_20 == pytest.approx(0.0029, abs=5e-5)


def test_weights_are_those_of_numpy() -> None:
    random = np.random.default_rng(4)
    code = random.uniform(500, 3500, 9)
    value = 0.008 * (code - 2050) + random.normal(0, 0.01, 9)
    u = random.uniform(0.005, 0.03, 9)
    fit = fit_scale([Point(v, c, 0.0, u_own=s) for v, c, s in zip(value, code, u, strict=True)])
    # L: numpy.polyfit weighs by 1/sigma.
    (slope, height), covariance = np.polyfit(code, value, 1, w=1 / u, cov="unscaled")
    scale = fit.scale
    assert scale.per_code == pytest.approx(slope, rel=1e-9)
    assert -scale.per_code * scale.zero_code == pytest.approx(height, rel=1e-9)
    assert scale.u_relative * slope == pytest.approx(math.sqrt(covariance[0, 0]) * fit.scatter, rel=1e-9)
    at_zero = math.hypot(scale.u_pivot, scale.u_relative * (height - scale.pivot))
    assert at_zero == pytest.approx(math.sqrt(covariance[1, 1]) * fit.scatter, rel=1e-6)


def test_a_meter_s_relative_error_scales_and_does_not_average_down() -> None:
    few = fit_scale(points([-10, 10], [1000, 3000], meter="a", u_relative=1e-3)).scale
    many = fit_scale(points([-10, 10] * 50, [1000, 3000] * 50, meter="a", u_relative=1e-3)).scale
    for scale in (few, many):
        (meter,) = scale.meters
        assert meter.u_relative == pytest.approx(1e-3)
        assert meter.u_offset == pytest.approx(0, abs=1e-9)
    assert many.u_relative == pytest.approx(few.u_relative / math.sqrt(50))
    assert many.u_scale == pytest.approx(math.hypot(1e-3, many.u_relative))


def test_a_meter_s_offset_shifts_all_its_points_and_tilts_against_a_zero() -> None:
    (alone,) = fit_scale(points([5, 10], [2500, 3000], meter="a", u_absolute=0.01)).scale.meters
    assert (alone.u_relative, alone.u_offset) == pytest.approx((0, 0.01), abs=1e-9)
    zero = Point(0.0, 2000.0, 0.1)
    (tilts,) = fit_scale([zero, *points([10], [3000], meter="a", u_absolute=0.01)]).scale.meters
    assert (tilts.u_relative, tilts.u_offset) == pytest.approx((0.001, 0), abs=1e-9)


def test_points_that_scatter_more_than_they_should_widen_the_line() -> None:
    calm = fit_scale(points([0, 5, 10], [2000, 2500, 3000]))
    bent = fit_scale(points([0, 5, 10], [2000, 2506, 3000]))
    assert calm.scatter == 1
    assert bent.scatter == pytest.approx(math.sqrt((1 + 4 + 1) * 4 / 0.01 * 1e-0) * 1, rel=0.02)
    assert bent.scale.u_relative == pytest.approx(calm.scale.u_relative * bent.scatter, rel=1e-3)
    assert bent.linearity == pytest.approx(0.04, rel=0.01)


def test_non_linearity_of_the_converter_is_each_point_s_own() -> None:
    two = [0.0, 10.0], [2000.0, 3000.0]
    assert fit_scale(points(*two, u_code=0.0), u_bow_codes=1.0).scale.u_relative == pytest.approx(
        math.sqrt(2) / 1000
    )
    assert fit_scale(points(*two, u_code=0.0)).scale.u_relative == 0


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (points([1.0], [2100.0]), "at least two points, or one and a zero, got 1"),
        (points([1.0, 2.0], [2100.0, 2100.0]), "same code"),
        (points([1.0, 1.0, 2.0], [2100.0, 2200.0, 2150.0]), "the line through the points is flat"),
        (points([1.0, 1.1], [2100.0, 2110.0], u_code=2.0), "the points span 0.1, which is not more than 10"),
    ],
)
def test_points_that_tell_no_slope_are_refused(given: list[Point], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fit_scale(given)


# On a channel


LSB_A = 0.040283203125
ALL = {
    "shunt_tolerance": '"1 %"', "gain_error": '"0.3 %"', "offset": '"150 µV"', "shunt_tempco": '"50 ppm/K"',
}  # fmt: skip
ADC = {
    "offset_error": '"2 LSB"',
    "inl": '"1 LSB (k=1)"',
    "gain_error": '"0.1 %"',
    "reference_tolerance": '"1 %"',
}


def measured(**more: object) -> Scale:
    return replace(
        Scale(0.0405, 2051.0, 10.0, 1e-4, 0.02, (MeterError("bench meter", 5e-4, 0.003),)),
        **more,  # type: ignore[arg-type]
    )


def test_a_measured_scale_replaces_gain_shunt_and_offset(channel: Make) -> None:
    i = channel(adc=ADC, reference='"1.65 V"', **ALL)
    new = i.with_scale(measured())
    assert new.per_code == 0.0405
    assert new.values(np.array([2051.0, 3051.0])) == pytest.approx([0, 40.5])
    assert new.u_scale == pytest.approx(math.hypot(1e-4, 5e-4))
    bow = i.u_bow
    at_pivot = math.hypot(0.02, 0.003, 5e-4 * 10, bow)
    assert new.u_systematic(10.0) == pytest.approx(at_pivot)
    assert new.u_systematic(50.0) == pytest.approx(math.hypot(0.02, 0.003, 5e-4 * 50, 1e-4 * 40, bow))
    assert new.u_offset == pytest.approx(math.hypot(0.02, 0.003, 1e-4 * 10, bow))
    assert new.clip_codes() == i.clip_codes()
    low, high = i.codes([i.low, i.high])
    assert (new.low, new.high) == pytest.approx((0.0405 * (low - 2051), 0.0405 * (high - 2051)))


def test_a_measured_scale_takes_its_keys_from_the_list(channel: Make) -> None:
    kept = channel(reference='"1.65 V"').with_scale(measured()).u_excludes
    assert kept == ("shunt_tempco", "offset_drift", "common_mode_rejection", "inl")


def test_a_later_zero_goes_before_the_line_s_own(channel: Make) -> None:
    i = channel(adc=ADC, **ALL)
    both = i.calibrated(ChannelCalibration(zero=Zero(2060.0, 0.05), scale=measured()))
    assert (both.per_code, both.zero_code) == (0.0405, 2060.0)
    assert both.u_offset == pytest.approx(math.hypot(0.05 * 0.0405, i.u_bow))
    assert both.u_systematic(20.0) == pytest.approx(
        math.hypot(0.05 * 0.0405, i.u_bow, 20 * math.hypot(1e-4, 5e-4))
    )


def test_a_stale_zero_is_used_with_the_bench_file_s_offsets_beside_it(channel: Make) -> None:
    i = channel(adc={"offset_error": '"2 LSB"', "inl": '"1 LSB"'}, **ALL)
    stale = i.calibrated(ChannelCalibration(zero=Zero(2050.0, 0.05), stale=True))
    assert stale.zero_code == 2050.0
    assert stale.u_offset == pytest.approx(math.hypot(i.u_offset, 0.05 * LSB_A))
    unstated = channel().calibrated(ChannelCalibration(zero=Zero(2050.0, 0.05), stale=True))
    assert {"offset", "offset_error"} <= set(unstated.u_excludes)


def test_a_stale_scale_keeps_its_gain(channel: Make) -> None:
    i = channel(adc={"offset_error": '"2 LSB"', "inl": '"1 LSB"'}, **ALL)
    stale = i.calibrated(ChannelCalibration(scale=measured(), stale=True))
    assert stale.u_scale == pytest.approx(math.hypot(1e-4, 5e-4))
    assert stale.u_offset > i.u_offset


def test_computed_channels_have_no_line(channel: Make) -> None:
    ntc = {"sensor": '"ntc"', "r25": '"10 kΩ"', "beta": '"3950 K"', "pull_up": '"10 kΩ"'}
    with pytest.raises(ValueError, match="not linear"):
        channel(ntc).with_scale(measured())


THREE = '[adc]\nbits = 12\nreference = "3.3 V"\nreference_tolerance = "1 %"\n' + "".join(
    f'[[channel]]\nname = "i{p.lower()}"\nphase = "{p}"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = 20\n'
    'reference = "mid-supply"\n'
    for p in "UVW"
)
GROUP = GroupInfo(20e3, CodeType.U16, 12, ("iu", "iv", "iw"))


def test_channels_that_one_meter_calibrated_share_its_error() -> None:
    found = {name: ChannelCalibration(scale=measured()) for name in GROUP.channels}
    assert [c.u_common for c in Chain(parse(THREE), [GROUP], found).channels.values()] == [5e-4] * 3
    bus = THREE + '[[channel]]\nname = "vbus"\nphase = "bus"\nsensor = "divider"\nratio = 11\n'
    with_bus = GroupInfo(20e3, CodeType.U16, 12, (*GROUP.channels, "vbus"))
    chain = Chain(parse(bus), [with_bus], found)
    assert chain.channels["vbus"].u_common == pytest.approx(0.01 / math.sqrt(3))


def test_where_only_some_were_calibrated_nothing_is_taken_to_cancel() -> None:
    chain = Chain(parse(THREE), [GROUP], {"iu": ChannelCalibration(scale=measured())})
    assert [c.u_common for c in chain.channels.values()] == pytest.approx([0, *[0.01 / math.sqrt(3)] * 2])
    other = measured(meters=(MeterError("another meter", 5e-4, 0.0),))
    found = {"iu": measured(), "iv": measured(), "iw": other}
    mixed = Chain(parse(THREE), [GROUP], {n: ChannelCalibration(scale=s) for n, s in found.items()})
    assert [c.u_common for c in mixed.channels.values()] == [0, 0, 0]


def test_the_temperature_of_a_calibration_is_where_its_scale_holds() -> None:
    warm = THREE.replace("gain = 20", 'gain = 20\nshunt_tempco = "100 ppm/K (k=1)"\ntemperature = "t_sink"')
    text = warm + '[[channel]]\nname = "t_sink"\nsensor = "linear"\nunit = "°C"\nscale = "100 °C/V"\n'
    group = GroupInfo(20e3, CodeType.U16, 12, (*GROUP.channels, "t_sink"))
    own = math.hypot(1e-4, 5e-4)
    for temperatures, change_k in (((("t_sink", 45.0),), 15.0), ((("t_other", 45.0),), 35.0), ((), 35.0)):
        found = {"iu": ChannelCalibration(scale=measured(temperatures=temperatures))}
        at_60 = Chain(parse(text), [group], found).channels["iu"].at_temperature(60.0, 0.0)
        assert at_60.u_scale == pytest.approx(math.hypot(own, 1e-4 * change_k))


# Coverage


def drawn(random: np.random.Generator, i: ChannelChain, *, with_zero: bool, count: int) -> bool:
    """One bench, calibrated with one meter and read at currents of its own: is the truth within ± 2 u?"""
    per_code = LSB_A * random.uniform(0.98, 1.02)
    zero = 2048 + random.uniform(-5, 5)
    gain, shift = random.uniform(-1e-3, 1e-3), random.uniform(-0.02, 0.02)
    noise = 0.05

    def read(current: float) -> float:
        return float(zero + current / per_code + random.normal(0, noise))

    found = [Point(0.0, read(0.0), noise)] if with_zero else []
    for true in random.uniform(-60, 60, count):
        says = true * (1 + gain) + shift
        found.append(Point(float(says), read(true), noise, "m", 1e-3 / math.sqrt(3), 0.02 / math.sqrt(3)))
    try:
        fit: Fit = fit_scale(found)
    except ValueError:
        return True
    new = i.with_scale(fit.scale)
    true = float(random.uniform(-70, 70))
    error = float(new.values(np.array([zero + true / per_code]))[0]) - true
    return abs(error) <= 2 * float(new.u_systematic(true))


@pytest.mark.parametrize(("with_zero", "count"), [(True, 1), (False, 2), (True, 3), (False, 6)])
def test_two_standard_uncertainties_hold_the_truth(channel: Make, with_zero: bool, count: int) -> None:
    random = np.random.default_rng([count, with_zero])
    i = channel()
    held = [drawn(random, i, with_zero=with_zero, count=count) for _ in range(500)]
    # Two rectangular errors and some noise: 95 % of a normal one, more here.
    assert np.mean(held) >= 0.95

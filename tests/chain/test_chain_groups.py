"""A whole bench: channels joined to groups, computed channels, calibration, what does not fit."""

import math

import numpy as np
import pytest

from livesense.bench import parse
from livesense.bench.pins import per_volt, reference_v
from livesense.bench.template import starter
from livesense.chain import Chain
from livesense.chain.build import build
from livesense.chain.calibration import ChannelCalibration, Zero
from livesense.errors import DescriptionError
from livesense.samples import CodeType, GroupInfo

FAST = GroupInfo(20e3, CodeType.U16, 12, ("iu", "iv", "iw", "vbus"))

COMPUTED = """
[adc]
bits = 12
reference = "3.3 V"
reference_tolerance = "0.2 %"
[[channel]]
name = "iu"
phase = "U"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = 20
offset = "150 µV"
reference = "mid-supply"
delay = "1 us"
[[channel]]
name = "iv"
phase = "V"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = 20
offset = "150 µV"
reference = "mid-supply"
delay = "3 us"
[[channel]]
name = "iw"
phase = "W"
sensor = "computed"
from = ["iu", "iv"]
"""
PAIR = GroupInfo(20e3, CodeType.U16, 12, ("spare", "iv", "iu"))


def zeroed(code: float, u_codes: float) -> ChannelCalibration:
    return ChannelCalibration(zero=Zero(code, u_codes))


def test_channels_join_by_column_in_the_file_s_order() -> None:
    text = starter().replace('name = "iu"', 'name = "phase_u"\ncolumn = "iu"').replace('["iu"', '["phase_u"')
    chain = Chain(parse(text), [FAST])
    assert list(chain.channels) == ["phase_u", "iv", "iw", "vbus"]
    assert [chain.column(name) for name in chain.channels] == [0, 1, 2, 3]
    assert chain.channels["phase_u"].group == 0
    assert chain.warnings == ()
    codes = np.array([[2048, 2148, 1948, 2708]], dtype=np.uint16)
    assert chain.value("phase_u", codes)[0] == 0
    assert chain.value("iv", codes)[0] == pytest.approx(0.8056640625)
    assert chain.value("vbus", codes)[0] == pytest.approx(24.0, abs=0.01)


def test_several_groups_with_columns_that_no_channel_uses() -> None:
    text = '[adc]\nbits = 12\nreference = "3.3 V"\n[[channel]]\nname = "t"\nsensor = "divider"\nratio = 1\n'
    groups = [FAST, GroupInfo(10.0, CodeType.U16, 12, ("state", "t"))]
    chain = Chain(parse(text), groups)
    assert [c.name for c in chain.group_channels(1)] == ["t"]
    assert chain.group_channels(0) == []
    assert chain.column("t") == 1


def test_a_column_of_two_groups_needs_the_group() -> None:
    text = '[[channel]]\nname = "x"\nsensor = "direct"\n{}'
    groups = [GroupInfo(1.0, CodeType.U16, None, ("x",)), GroupInfo(2.0, CodeType.I16, None, ("y", "x"))]
    with pytest.raises(DescriptionError, match=r"in the groups 0 and 1; state group = 0"):
        Chain(parse(text.format("")), groups)
    chain = Chain(parse(text.format("group = 1\n")), groups)
    assert (chain.channels["x"].group, chain.column("x")) == (1, 1)


def test_channels_that_the_device_lacks_name_both_lists() -> None:
    device = [GroupInfo(20e3, CodeType.U16, 12, ("iu", "iv", "i_w", "vbus"))]
    with pytest.raises(DescriptionError) as caught:
        Chain(parse(starter()), device)
    assert str(caught.value) == (
        "the bench file expects the channels iu, iv, iw, vbus; the device sends group 0: iu, iv, i_w, vbus; "
        "not there: iw. Correct name, column or group of these channels in the bench file"
    )


def test_a_group_that_is_not_there() -> None:
    text = '[[channel]]\nname = "x"\nsensor = "direct"\ngroup = 3\n'
    with pytest.raises(DescriptionError, match=r"x \(group 3\); the device sends none; not there: x"):
        Chain(parse(text), [])


def test_bits_that_differ_are_warned_of_once() -> None:
    device = [GroupInfo(20e3, CodeType.U16, 16, ("iu", "iv", "iw", "vbus"))]
    chain = Chain(parse(starter()), device)
    assert chain.warnings == (
        "the device says that group 0 has 16 bits, the bench file 12: the bench file's word is taken, "
        "see which is right",
    )
    assert chain.channels["iu"].zero_code == 2048


def test_bits_of_a_channel_s_own_are_no_contradiction() -> None:
    text = starter().replace('name = "vbus"', 'name = "vbus"\nbits = 10')
    chain = Chain(parse(text), [FAST])
    assert chain.warnings == ()
    assert chain.channels["vbus"].clip_codes() == (0, 1023)


def test_bits_come_from_the_device_where_the_file_has_none() -> None:
    text = starter().replace("bits = 12\n", "").replace('inl = "1.5 LSB"', "")
    assert Chain(parse(text), [FAST]).channels["iu"].zero_code == 2048
    device = [GroupInfo(20e3, CodeType.U16, None, ("iu", "iv", "iw", "vbus"))]
    with pytest.raises(DescriptionError, match=r"bits are not known: expected bits in \[adc\]"):
        Chain(parse(text), device)


# Computed channels


def test_a_computed_channel_is_minus_the_sum() -> None:
    chain = Chain(parse(COMPUTED), [PAIR])
    codes = np.array([[9, 2048 + 100, 2048 + 50], [9, 2048, 4095]], dtype=np.uint16)
    u, v, w = (chain.value(name, codes) for name in ("iu", "iv", "iw"))
    assert w == pytest.approx(-(u + v))
    assert chain.clipped("iw", codes).tolist() == [False, True]
    assert chain.clipped("iv", codes).tolist() == [False, False]
    iw = chain.channels["iw"]
    assert (iw.computed, iw.source, iw.unit, iw.quantity, iw.group) == (True, ("iu", "iv"), "A", "current", 0)
    assert (iw.low, iw.high) == pytest.approx((-32, 32))
    assert [c.name for c in chain.group_channels(0)] == ["iu", "iv", "iw"]
    with pytest.raises(KeyError):
        chain.column("iw")


def test_the_sources_are_left_as_they_are() -> None:
    chain = Chain(parse(COMPUTED), [PAIR])
    codes = np.full((4, 3), 3000, dtype=np.uint16)
    before = chain.value("iu", codes)
    chain.value("iw", codes)
    assert chain.value("iu", codes) == pytest.approx(before)


def test_uncertainty_of_a_computed_channel() -> None:
    chain = Chain(parse(COMPUTED), [PAIR])
    iu, iw = chain.channels["iu"], chain.channels["iw"]
    shunt, reference = 0.01 / math.sqrt(3), 0.002 / math.sqrt(3)
    # Two shunts with errors of their own, one reference for both.
    assert iw.u_scale == pytest.approx(math.hypot(math.sqrt(2) * shunt, reference))
    assert iw.u_common == pytest.approx(reference)
    assert iw.u_offset == pytest.approx(math.sqrt(2) * iu.u_offset)
    assert iw.u_quantisation == pytest.approx(math.sqrt(2) * iu.u_quantisation)
    assert iw.u_excludes == iu.u_excludes
    assert iw.assumed == iu.assumed


def test_bends_of_the_sources_are_in_a_computed_channel() -> None:
    iw = Chain(parse(COMPUTED.replace("bits = 12\n", 'bits = 12\ninl = "1 LSB"\n')), [PAIR]).channels["iw"]
    # 8.06 mA a code; a limit a is a/√3 (JCGM 100:2008, 4.3.7, clause from memory), of two sources √2 of it.
    assert iw.u_bow == pytest.approx(3.3 / 4096 / (20 * 5e-3) * math.sqrt(2 / 3))


def test_corrections_of_a_computed_channel_are_its_sources_mean() -> None:
    chain = Chain(parse(COMPUTED), [PAIR])
    iu, iv, iw = (chain.channels[name].correction(400.0) for name in ("iu", "iv", "iw"))
    assert iw == pytest.approx((iu + iv) / 2)
    assert math.degrees(np.angle(iw)) == pytest.approx(-0.288, abs=1e-6)


def test_sources_of_a_computed_channel_share_a_group() -> None:
    apart = [GroupInfo(20e3, CodeType.U16, 12, ("iu",)), GroupInfo(10e3, CodeType.U16, 12, ("iv",))]
    with pytest.raises(DescriptionError, match="from: expected channels of one group, got iu in group 0, iv"):
        Chain(parse(COMPUTED), apart)


# Calibration


def test_measured_zeros_reach_computed_channels_too() -> None:
    chain = Chain(parse(COMPUTED), [PAIR], {"iu": zeroed(2050.0, 0.01), "gone": zeroed(0.0, 0.0)})
    codes = np.array([[0, 2048, 2050]], dtype=np.uint16)
    assert chain.value("iu", codes)[0] == 0
    assert chain.value("iw", codes)[0] == 0
    assert "offset" not in chain.channels["iu"].u_excludes
    plain = Chain(parse(COMPUTED), [PAIR])
    assert chain.channels["iw"].u_offset < plain.channels["iw"].u_offset


def test_a_thermometer_is_left_alone_by_a_zero() -> None:
    text = (
        '[adc]\nbits = 12\nreference = "3.3 V"\n[[channel]]\nname = "t"\nsensor = "rtd"\npull_up = "1 kΩ"\n'
    )
    chain = Chain(parse(text), [GroupInfo(1.0, CodeType.U16, 12, ("t",))], {"t": zeroed(5.0, 0.1)})
    assert chain.channels["t"].zero_code is None


# Settings alone


def test_a_pin_without_bits_cannot_be_converted() -> None:
    bench = parse(COMPUTED)
    with pytest.raises(ValueError, match="'iu': the ADC's bits are not known"):
        build(bench.channels[0], bench.adc, bench.conditions, 0, PAIR, None)


def test_settings_without_a_pin_voltage_are_refused() -> None:
    bench = parse('[[channel]]\nname = "x"\nsensor = "direct"\n')
    with pytest.raises(ValueError, match="no ADC reference"):
        reference_v(bench.channels[0], bench.adc)
    with pytest.raises(ValueError, match="not linear in its pin voltage"):
        per_volt(bench.channels[0])

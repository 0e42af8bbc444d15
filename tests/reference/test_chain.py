"""The sense chain against figures from outside: computed from the definitions, and from standards.

Where no source is named beside a check, the figure follows from the definition alone: one code is
reference / (2^bits × gain × shunt) amperes. Titles and clauses of standards are from memory.
"""

import cmath
import math

import numpy as np
import pytest

from livesense.bench import parse
from livesense.chain import Chain, ChannelChain
from livesense.samples import CodeType, GroupInfo

EXACT = 1e-9


def chain(channel: str, *, bits: int = 12, reference: str = "3.3 V") -> ChannelChain:
    text = f'[adc]\nbits = {bits}\nreference = "{reference}"\n[[channel]]\nname = "i"\n{channel}'
    return Chain(parse(text), [GroupInfo(20e3, CodeType.U16, bits, ("i",))]).channels["i"]


def shunt(reference: str, *, ohm: str = "1 mΩ", gain: int = 20, swing: str = "0 V", more: str = "") -> str:
    return (
        f'sensor = "shunt"\nshunt = "{ohm}"\ngain = {gain}\nreference = "{reference}"\n'
        f'swing_low = "{swing}"\nswing_high = "{swing}"\n{more}'
    )


def value(channel: ChannelChain, code: float) -> float:
    return float(channel.values(np.array([code]))[0])


# 3.3 V, 12 bit, gain 20, 1 mΩ


def test_one_code_and_range_with_the_zero_at_mid_supply() -> None:
    i = chain(shunt("mid-supply"))
    assert i.per_code == pytest.approx(0.040283203125, rel=EXACT)
    assert i.zero_code == 2048
    assert value(i, 2048) == 0
    assert (i.low, i.high) == pytest.approx((-82.5, 82.459716796875), rel=EXACT)
    assert (value(i, 0), value(i, 4095)) == pytest.approx((i.low, i.high), rel=EXACT)
    assert value(i, 2458) == pytest.approx(16.51611328125, rel=EXACT)


def test_reference_at_ground() -> None:
    i = chain(shunt("ground"))
    assert value(i, 1000) == pytest.approx(40.283203125, rel=EXACT)
    assert value(i, 4095) == pytest.approx(164.959716796875, rel=EXACT)
    assert (i.low, i.high) == pytest.approx((0, 164.959716796875), rel=EXACT)


def test_reference_at_supply_with_the_plus_input_at_the_load() -> None:
    # The current enters at the minus input: the output falls from the supply as it grows.
    i = chain(shunt("supply", more='place = "high-side"\nplus_input = "bridge"\n'))
    assert value(i, 3000) == pytest.approx(44.150390625, rel=EXACT)


def test_outside_reference() -> None:
    i = chain(shunt("1.5 V"))
    assert i.zero_code == pytest.approx(1861.8182, abs=5e-5)
    assert value(i, 2000) == pytest.approx(5.56640625, rel=EXACT)


def test_16_bits_at_3_v() -> None:
    i = chain(shunt("mid-supply", ohm="5 mΩ"), bits=16, reference="3.0 V")
    assert i.per_code == pytest.approx(0.000457763671875, rel=EXACT)
    assert i.low == pytest.approx(-15, rel=EXACT)
    assert i.high == pytest.approx(15, rel=1e-4)


def test_gain_60_at_10_milliohms_and_5_v() -> None:
    # Common practice, no source.
    i = chain(shunt("mid-supply", ohm="10 mΩ", gain=60), reference="5 V")
    assert i.low == pytest.approx(-4.1667, abs=5e-5)
    assert i.high == pytest.approx(4.1667, rel=1e-3)


# Errors at the input


def test_offset_of_150_microvolts_in_one_milliohm_is_150_milliamperes() -> None:
    i = chain(shunt("mid-supply", more='offset = "150 µV (k=1)"\n'))
    assert i.u_offset == pytest.approx(0.15, rel=EXACT)


def test_offset_of_200_microvolts_in_ten_milliohms_is_20_milliamperes() -> None:
    # Common practice, no source.
    i = chain(shunt("mid-supply", ohm="10 mΩ", gain=60, more='offset = "200 µV (k=1)"\n'), reference="5 V")
    assert i.u_offset == pytest.approx(0.02, rel=EXACT)


def test_swing_of_50_millivolts_hides_the_first_83_milliamperes() -> None:
    i = chain(shunt("ground", ohm="10 mΩ", gain=60, swing="50 mV"), reference="5 V")
    assert i.low == pytest.approx(0.0833, abs=5e-5)
    assert bool(i.clipped(np.array([0]))[0])


def test_limits_of_error_as_rectangular_uncertainties() -> None:
    # JCGM 100:2008, 4.3.7: a limit a has the standard uncertainty a/√3. The set of limits
    # {0.5, 0.3, 0.3, 0.06, 0.4, 0.3, 0.1611328125} % gives 0.4863345 %; here its four scale-like
    # parts that a channel has, 0.5, 0.3, 0.4 and 0.3 %.
    text = (
        '[adc]\nbits = 12\nreference = "3.3 V"\nreference_tolerance = "0.4 %"\ngain_error = "0.3 %"\n'
        '[[channel]]\nname = "i"\n'
        + shunt("mid-supply", more='shunt_tolerance = "0.5 %"\ngain_error = "0.3 %"\n')
    )
    i = Chain(parse(text), [GroupInfo(20e3, CodeType.U16, 12, ("i",))]).channels["i"]
    rest = (0.3**2 + 0.06**2 + 0.1611328125**2) / 3
    assert 100 * i.u_scale == pytest.approx(math.sqrt(0.4863345**2 - rest), abs=5e-7)


def test_quantisation_noise_is_one_code_over_root_twelve() -> None:
    # IEEE Std 1241 (from memory): ideal SNR of a full-scale sine, 20 n log10 2 + 10 log10 1.5.
    for bits, snr_db in ((12, 74.01), (16, 98.09)):
        i = chain(shunt("mid-supply"), bits=bits)
        assert i.per_code is not None
        sine_rms = i.per_code * 2**bits / 2 / math.sqrt(2)
        assert 20 * math.log10(sine_rms / i.u_quantisation) == pytest.approx(snr_db, abs=0.005)


# Corrections


@pytest.mark.parametrize(
    ("ratio", "gain_percent", "phase_deg"),
    [(0.05, -0.1248, -2.862), (0.1, -0.4963, -5.711), (0.2, -1.9419, -11.310), (1.0, -29.289, -45.0)],
)
def test_first_order_low_pass(ratio: float, gain_percent: float, phase_deg: float) -> None:
    i = chain(shunt("mid-supply", more='bandwidth = "10 kHz"\n'))
    seen = 1 / i.correction(ratio * 10e3)
    assert 100 * (abs(seen) - 1) == pytest.approx(gain_percent, abs=5e-4 if ratio == 1 else 5e-5)
    assert math.degrees(cmath.phase(seen)) == pytest.approx(phase_deg, abs=5e-4)


def test_a_microsecond_late_at_400_hz_leads_by_0_144_degrees() -> None:
    i = chain(shunt("mid-supply", more='delay = "1 us"\n'))
    assert math.degrees(cmath.phase(i.correction(400.0))) == pytest.approx(-0.144, rel=EXACT)


def test_corrections_have_the_sign_that_a_recorded_wave_needs() -> None:
    # A cosine of known phase, filtered by a first-order low-pass (its steady answer) and sampled late.
    frequency_hz, cutoff_hz, late_s, rate_hz, phase = 400.0, 2000.0, 20e-6, 20_000.0, 0.7
    t = np.arange(1000) / rate_hz + late_s
    answer = 1 / (1 + 1j * frequency_hz / cutoff_hz)
    wave = np.real(10 * np.exp(1j * phase) * answer * np.exp(2j * np.pi * frequency_hz * t))
    scan_time = np.arange(1000) / rate_hz
    seen = 2 * np.mean(wave * np.exp(-2j * np.pi * frequency_hz * scan_time))
    i = chain(shunt("mid-supply", more='bandwidth = "2 kHz"\ndelay = "20 us"\n'))
    true = seen * i.correction(frequency_hz)
    assert abs(true) == pytest.approx(10, rel=1e-9)
    assert cmath.phase(true) == pytest.approx(phase, abs=1e-9)


# Temperature


@pytest.mark.parametrize(("celsius", "ohm"), [(0, 33620.60), (50, 3588.18), (85, 1086.67), (100, 697.52)])
def test_ntc_10k_beta_3950(celsius: float, ohm: float) -> None:
    t = chain('sensor = "ntc"\nr25 = "10 kΩ"\nbeta = "3950 K"\npull_up = "10 kΩ"\n')
    code = 4096 * ohm / (ohm + 10_000)
    assert value(t, code) == pytest.approx(celsius, abs=2e-4)
    assert float(t.codes([celsius])[0]) == pytest.approx(code, abs=2e-3)


def test_ntc_by_steinhart_and_hart() -> None:
    # Coefficients as they are often printed for a thermistor of 10 kΩ, and the equation (Steinhart and Hart,
    # Deep-Sea Research 15, 1968): both from memory. The temperature was computed from them by itself.
    more = "steinhart_hart = [1.129148e-3, 2.34125e-4, 8.76741e-8]\n"
    t = chain(f'sensor = "ntc"\n{more}pull_up = "10 kΩ"\n')
    assert value(t, 2048) == pytest.approx(24.99967, abs=5e-6)
    assert float(t.codes([24.99967])[0]) == pytest.approx(2048, abs=2e-4)


@pytest.mark.parametrize(
    ("celsius", "ohm"),
    [(-200, 18.5201), (-50, 80.3063), (0, 100.0), (25, 109.7347), (100, 138.5055), (200, 175.8560)],
)
def test_pt100(celsius: float, ohm: float) -> None:
    # IEC 60751, table of the platinum curve.
    t = chain('sensor = "rtd"\nr0 = "100 Ω"\npull_up = "1 kΩ"\n', bits=24)
    code = 2**24 * ohm / (ohm + 1000)
    assert value(t, code) == pytest.approx(celsius, abs=2e-4)
    assert float(t.codes([celsius])[0]) == pytest.approx(code, abs=2e-6 * code)


# Calibration


def test_one_code_of_a_two_point_calibration() -> None:
    # 0 A reads 2050, 50 A reads 3290: 0.0403225806 A a code; a chain whose gain fits shows it.
    per_code = 50 / (3290 - 2050)
    assert per_code == pytest.approx(0.0403225806, abs=5e-11)
    gain = 3.3 / (4096 * 1e-3 * per_code)
    text = '[adc]\nbits = 12\nreference = "3.3 V"\n[[channel]]\nname = "i"\n' + shunt("mid-supply").replace(
        "gain = 20", f"gain = {gain!r}"
    )
    i = Chain(parse(text), [GroupInfo(20e3, CodeType.U16, 12, ("i",))]).channels["i"].with_zero(2050.0, 0.1)
    assert (value(i, 2050), value(i, 3290)) == pytest.approx((0, 50), rel=EXACT)


# A slow plain twin

REFERENCES = ("ground", "supply", "mid-supply", "1.2 V")
NODES = {"in-line": ("bridge", "motor"), "high-side": ("supply", "bridge"), "low-side": ("ground", "bridge")}


def plain_twin(code: int, reference: str, node_is_positive: bool) -> float:
    lsb = 3.3 / 4096
    v = code * lsb
    v_zero = {"ground": 0.0, "supply": 3.3, "mid-supply": 1.65, "1.2 V": 1.2}[reference]
    return (1 if node_is_positive else -1) * (v - v_zero) / (20 * 0.001)


@pytest.mark.parametrize("reference", REFERENCES)
@pytest.mark.parametrize("place", NODES)
@pytest.mark.parametrize("which", [0, 1])
def test_every_set_up_against_the_definition(reference: str, place: str, which: int) -> None:
    more = f'phase = "U"\nplace = "{place}"\nplus_input = "{NODES[place][which]}"\n'
    i = chain(shunt(reference, more=more))
    codes = np.array([0, 1, 700, 2048, 4095], dtype=np.uint16)
    expected = [plain_twin(int(code), reference, which == 0) for code in codes]
    assert i.values(codes) == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert i.codes(expected) == pytest.approx(codes, rel=1e-9, abs=1e-9)
    assert (i.low, i.high) == pytest.approx((min(expected), max(expected)), rel=1e-9, abs=1e-9)

"""What does not refuse a bench, but is said."""

from collections.abc import Callable

import pytest

from livesense.bench import Bench

Changed = Callable[..., Bench]

GROUP = '[[group]]\nrate = "{rate}"\nchannels = ["iu", "iv", "iw", "vbus"]\n'


def test_an_amplifier_that_can_drive_the_pin_too_high(changed: Changed) -> None:
    bench = changed('reference = "mid-supply"', 'reference = "1.65 V"\nsupply = "5 V"')
    assert bench.warnings == (
        'channel "iu": its amplifier, supplied with 5 V, can drive the ADC\'s '
        "pin above its reference of 3.3 V: "
        "see what the pin bears",
    )


def test_a_side_on_which_the_limit_is_out_of_reach(changed: Changed) -> None:
    bench = changed('reference = "mid-supply"', 'reference = "1 V"')
    assert bench.warnings == (
        'watch 1: "iu" reads -9.5 A to 22.5 A, so that beyond 12 A negative currents are not seen',
    )
    bench = changed('reference = "mid-supply"', 'reference = "2.5 V"')
    assert bench.warnings[0].endswith("positive currents are not seen")
    bench = changed('reference = "mid-supply"', 'reference = "ground"')
    assert bench.warnings[0].endswith("negative currents are not seen")


def test_one_direction_is_all_a_bus_needs(changed: Changed) -> None:
    more = (
        '[[channel]]\nname = "ibus"\nphase = "bus"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = 20\n'
        'reference = "ground"\n[[watch]]\nkind = "overcurrent"\nchannels = ["ibus"]\nlimit = "12 A"\n'
    )
    assert changed(more=more).warnings == ()


def test_two_channels_of_one_phase_at_one_place(changed: Changed) -> None:
    more = '[[channel]]\nname = "iu_60"\nphase = "U"\nsensor = "direct"\nunit = "A"\n'
    assert changed(more=more).warnings == (
        "phase U has 2 in-line channels in A (iu, iu_60): figures of the three phases use iu; state phase or "
        "place of the others, if it is another one",
    )


@pytest.mark.parametrize(("release_hold", "slowest"), [("1 ms", "250 Hz"), ("0 s", "any frequency")])
def test_a_release_hold_that_splits_one_overload(changed: Changed, release_hold: str, slowest: str) -> None:
    bench = changed('limit = "12 A"', f'limit = "12 A"\nrelease_hold = "{release_hold}"')
    assert bench.warnings == (
        f"watch 1: below {slowest} electrical, one overload becomes an event in each half-wave: "
        'take a longer release_hold, or quantity = "vector"',
    )
    vector = f'limit = "12 A"\nquantity = "vector"\nrelease_hold = "{release_hold}"'
    assert changed('limit = "12 A"', vector).warnings == ()


def test_a_code_type_with_text(changed: Changed) -> None:
    more = '[[group]]\nrate = "1 kHz"\ncode = "u16"\n'
    bench = changed('wire = "framed"', 'wire = "text"', more=more)
    assert bench.warnings == ("group 0: code says nothing with text, which is read as decimal numbers",)


def test_pre_and_post_are_read(changed: Changed) -> None:
    bench = changed('limit = "12 A"', 'limit = "12 A"\npre = "5 ms"\npost = "7 ms"')
    assert bench.warnings == ()
    assert (bench.watches[0].pre_s, bench.watches[0].post_s) == (0.005, 0.007)


OVERCURRENT = 'kind = "overcurrent"\nchannels = ["iu", "iv", "iw"]\nlimit = "12 A"\n'


@pytest.mark.parametrize(
    ("rule", "warned"),
    [
        ('kind = "overcurrent"\nquantity = "cycle-rms"\nlimit = "12 A"\nchannels = ["iu"]\n', "12 A rms"),
        ('kind = "thermal"\npickup = "12 A"\ntau = "9 s"\nchannels = ["iu"]\n', "12 A rms"),
        ('kind = "thermal"\npickup = "11 A"\ntau = "9 s"\nchannels = ["iu"]\n', None),
        ('kind = "i2t"\ni2t = "9 A²s"\nchannels = ["iu"]\n', None),
    ],
)
def test_peaks_that_clip_at_a_limit_on_the_rms(changed: Changed, rule: str, warned: str | None) -> None:
    # √2 × 12 A is 16.97 A, √2 × 11 A is 15.56 A; the channel reads 16 A.
    warnings = changed(OVERCURRENT, rule).warnings
    if warned is None:
        assert warnings == ()
    else:
        assert warnings == (
            f'watch 1: "iu" clips a sine of {warned}, whose peaks are 16.97 A: it reads -16 A to 16 A',
        )


def test_a_side_on_which_a_pick_up_is_out_of_reach(changed: Changed) -> None:
    rule = '[[watch]]\nkind = "thermal"\npickup = "12 A"\ntau = "9 s"\nchannels = ["iu"]\n'
    warnings = changed('reference = "mid-supply"', 'reference = "1 V"', more=rule).warnings
    assert warnings[1:] == (
        'watch 2: "iu" reads -9.5 A to 22.5 A, so that beyond 12 A negative currents are not seen',
    )


def test_rates_that_the_baud_rate_cannot_carry(changed: Changed) -> None:
    # 8N1: ten bit times a byte. 4 channels of u16 at 20 kHz are 160 kB/s; 3 MBd carry 300, 921600 Bd 92.
    assert changed(more=GROUP.format(rate="20 kHz")).warnings == ()
    bench = changed("baud = 3000000", "baud = 921600", more=GROUP.format(rate="20 kHz"))
    assert bench.warnings == (
        "link: 160 kB/s of codes cannot pass at 921600 baud, which carries "
        "92.16 kB/s: raise baud, or lower rate "
        "(a USB link may ignore baud)",
    )


def test_packed_codes_take_less(changed: Changed) -> None:
    packed = GROUP.format(rate="20 kHz") + 'code = "u12"\n'
    assert "120 kB/s" in changed("baud = 3000000", "baud = 921600", more=packed).warnings[0]


def test_channels_that_the_group_does_not_name_are_counted(changed: Changed) -> None:
    more = '[[group]]\nrate = "20 kHz"\n'
    assert "160 kB/s" in changed("baud = 3000000", "baud = 921600", more=more).warnings[0]


def test_where_baud_says_nothing(changed: Changed) -> None:
    more = GROUP.format(rate="200 kHz")
    assert changed(more=more).warnings
    for port in ("socket://localhost:4000", "file:capture.bin", "-"):
        assert changed('port = "COM5"', f'port = "{port}"', more=more).warnings == ()
    assert changed('port = "COM5"\nbaud = 3000000', "", more=more).warnings == ()
    assert changed('port = "COM5"\nbaud = 3000000', 'port = "COM5"', more=more).warnings

"""``size`` as a user meets it: options, bench files, text, JSON, points, exit codes."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from livesense.bench import parse
from livesense.bench.template import starter
from livesense.chain import Chain
from livesense.cli import size_inputs
from livesense.samples import CodeType, GroupInfo

Command = Callable[..., Any]

DOCS = Path(__file__).parents[2] / "docs"
POINTS = "current_A,error_percent,u_percent\n0.5,7,1\n-5,-20,0.5\n"


def option(facts: dict[str, Any], ohm: float, gain: float) -> dict[str, Any]:
    (found,) = (o for o in facts["options"] if (o["shunt_ohm"], o["gain"]) == (ohm, gain))
    assert isinstance(found, dict)
    return found


@pytest.fixture
def pump(livesense: Command) -> str:
    assert livesense("init", "pump.toml").code == 0
    return "pump.toml"


# ── figures ──────────────────────────────────────────────────────────────────────────────────────


def test_a_milliohm_and_gain_20_at_50_a(livesense: Command) -> None:
    # Computed: 3.3 V / 4096 / 20 / 1 mΩ; (1.65 V - 50 mV) / 20 / 1 mΩ; I² R.
    facts = livesense(
        "size", "--current", "50A", "--rms", "50A", "--supply", "3.3V", "--bits", 12, "--gain", 20, "--shunt",
        "1mΩ", "--dissipation", "5 W", "--json",
    ).json  # fmt: skip
    (one,) = facts["options"]
    assert one["code_A"] == pytest.approx(0.040283203125, rel=1e-11)
    assert one["range_A"] == pytest.approx(80.0)
    assert one["rail_to_rail_A"] == pytest.approx(82.459716796875, rel=1e-11)
    assert one["dissipation_W"] == pytest.approx(2.5)
    assert one["headroom_percent"] == pytest.approx(60.0)
    assert facts["best"] == {**one, "index": 0}
    assert facts["relax"] is None and facts["relax_others"] == []


def test_the_pump_s_bench_file_brings_gain_limits_and_rated_current(livesense: Command, pump: str) -> None:
    facts = livesense("size", "--bench", pump, "--json").json
    # 6 A rms is 8.5 A peak, the limit 12 A; 5 mΩ × 20 is fitted.
    assert facts["demands"]["current_A"] == pytest.approx(6 * math.sqrt(2))
    assert (facts["demands"]["rms_A"], facts["demands"]["trip_A"]) == (6.0, 12.0)
    assert {o["gain"] for o in facts["options"]} == {20.0}
    mine = option(facts, 0.005, 20.0)
    assert mine["present"] and mine["fits"] and facts["best"]["shunt_ohm"] == 0.005
    assert mine["range_A"] == pytest.approx(16.0) and mine["bandwidth_Hz"] == 500e3
    assert [o["present"] for o in facts["options"]].count(True) == 1


def test_the_highest_limit_that_watches_the_channel_counts(livesense: Command, pump: str) -> None:
    more = "\n".join(
        f'[[watch]]\nkind = "overcurrent"\nchannels = ["{name}"]\nlimit = "{limit} A"\n'
        for name, limit in (("iu", 14), ("iu", 10), ("iv", 15))
    )
    # A pick-up is an rms: nothing that a scan is held against.
    more += '\n[[watch]]\nkind = "thermal"\nchannels = ["iu"]\npickup = "15.5 A"\ntau = "60 s"\n'
    Path(pump).write_text(Path(pump).read_text(encoding="utf-8") + "\n" + more, encoding="utf-8")
    assert livesense("size", "--bench", pump, "--json").json["demands"]["trip_A"] == 14.0
    of_v = livesense("size", "--bench", pump, "--channel", "iv", "--json").json
    assert of_v["demands"]["trip_A"] == 15.0


def test_size_and_measure_agree_on_a_fitted_channel(livesense: Command, pump: str) -> None:
    bench = parse(Path(pump).read_text(encoding="utf-8"))
    group = GroupInfo(20_000.0, CodeType.U16, None, tuple(c.column for c in bench.channels))
    iu = Chain(bench, [group]).channels["iu"]
    facts = livesense("size", "--bench", pump, "--small-current", "1 A", "--json").json
    u = math.hypot(float(iu.u_systematic(1.0)), iu.u_quantisation)
    assert option(facts, 0.005, 20.0)["error_percent"] == pytest.approx(200 * u, rel=1e-9)
    assert facts["u_excludes"] == list(iu.u_excludes)


def test_another_channel_of_the_file_and_what_goes_before_it(livesense: Command, pump: str) -> None:
    text = Path(pump).read_text(encoding="utf-8")
    text += '\n[[channel]]\nname = "ibus"\nphase = "bus"\nsensor = "shunt"\nshunt = "2 mΩ"\ngain = 50\n'
    Path(pump).write_text(text + 'reference = "ground"\nbits = 16\n', encoding="utf-8")
    facts = livesense("size", "--bench", pump, "--channel", "ibus", "--current", "10A", "--json").json
    assert not facts["demands"]["both_directions"] and facts["demands"]["rms_A"] == 10.0
    assert option(facts, 0.002, 50.0)["present"]
    assert {o["gain"] for o in facts["options"]} == {20.0, 50.0}
    assert option(facts, 0.002, 50.0)["code_A"] == pytest.approx(3.3 / 65536 / 0.1)
    fewer = livesense(
        "size", "--bench", pump, "--channel", "ibus", "--current", "10A", "--bits", 12, "--json"
    ).json
    assert option(fewer, 0.002, 50.0)["code_A"] == pytest.approx(3.3 / 4096 / 0.1)
    moved = livesense("size", "--bench", pump, "--place", "low-side", "--bus", "--current", 9, "--json").json
    assert not moved["demands"]["both_directions"] and moved["demands"]["share_percent"] == 100


def test_a_fitted_shunt_beside_the_series_is_listed(livesense: Command, pump: str) -> None:
    text = Path(pump).read_text(encoding="utf-8").replace('"5 mΩ"', '"6 mΩ"')
    Path(pump).write_text(text, encoding="utf-8")
    facts = livesense("size", "--bench", pump, "--gain", "50", "--json").json
    assert option(facts, 0.006, 20.0)["present"]
    assert livesense("size", "--bench", pump).out.count("\n*o  ") == 1


def test_defaults_are_the_starter_file_s(livesense: Command) -> None:
    bench = parse(starter())
    iu = next(channel for channel in bench.channels if channel.name == "iu")
    facts = livesense("size", "--current", "8.5A", "--json").json
    assert facts["assumed"]["bits"] == str(bench.adc.bits)
    text = starter()
    for key, value in (size_inputs.DEFAULT_ADC | size_inputs.DEFAULT_CHANNEL).items():
        assert f"\n{key} = {json.dumps(value, ensure_ascii=False)}" in text
    assert iu.supply == "adc"


@pytest.mark.parametrize(
    ("given", "reference_v", "supply_v"),
    [
        ((), 3.3, 3.3),
        (("--supply", "5V"), 5.0, 5.0),
        (("--supply", "5"), 5.0, 5.0),
        (("--adc-reference", "2.5V"), 2.5, 2.5),
        (("--supply", "5V", "--adc-reference", "3.3V"), 3.3, 5.0),
        (("--supply", "adc"), 3.3, 3.3),
    ],
)
def test_supply_and_reference_are_one_node_unless_both_are_given(
    livesense: Command, given: tuple[str, ...], reference_v: float, supply_v: float
) -> None:
    facts = livesense(
        "size", "--current", "2A", "--gain", 60, "--shunt", "10mΩ", "--swing", "0 V", "--json", *given
    )
    (one,) = facts.json["options"]
    assert one["code_A"] == pytest.approx(reference_v / 4096 / 0.6)
    assert one["range_low_A"] == pytest.approx(-supply_v / 2 / 0.6)


def test_a_leg_s_shunt_carries_half(livesense: Command) -> None:
    arguments = ("size", "--current", "10A", "--rms", "7A", "--gain", 20, "--shunt", "5mΩ", "--json")
    assert livesense(*arguments).json["best"]["dissipation_W"] == pytest.approx(0.245)
    low = livesense(*arguments, "--place", "low-side").json
    assert low["best"]["dissipation_W"] == pytest.approx(0.1225)
    assert low["assumed"]["share"] == "50 % (of a leg with sinusoidal modulation)"
    all_of_it = livesense(*arguments, "--place", "low-side", "--share", "100 %").json
    assert all_of_it["best"]["dissipation_W"] == pytest.approx(0.245)


def test_a_bus_shunt_reads_one_direction(livesense: Command) -> None:
    answer = livesense("size", "--current", "8.5A", "--bus", "--reference", "ground", "--gain", 20)
    assert answer.code == 0
    assert "Bus shunt for 8.5 A peak, 8.5 A rms" in answer.out
    assert "it reads 250 mA to 16.2 A" in " ".join(answer.out.split())
    for place in ("high-side", "low-side"):
        falling = livesense(
            "size",
            "--current",
            "8.5A",
            "--bus",
            "--reference",
            "supply",
            "--place",
            place,
            "--gain",
            20,
            "--json",
        ).json
        assert falling["best"]["range_A"] == pytest.approx(16.25)


def test_a_bandwidth_for_each_gain(livesense: Command) -> None:
    arguments = ("size", "--current", "8.5A", "--gain", "20,50", "--frequency", "10 kHz")
    answer = livesense(*arguments, "--bandwidth", "100kHz,50kHz", "--json").json
    # First order, computed: f/fc .1 gives −0.4963 % and −5.711°, .2 −1.9419 % and −11.310°.
    found = {o["gain"]: (o["bandwidth_error_percent"], o["bandwidth_phase_deg"]) for o in answer["options"]}
    assert found[20.0] == pytest.approx((-0.4963, -5.711), abs=5e-4)
    assert found[50.0] == pytest.approx((-1.9419, -11.310), abs=5e-4)
    text = " ".join(livesense(*arguments, "--bandwidth", "100kHz", "--bandwidth", "50kHz").out.split())
    assert (
        "At 10 kHz a bandwidth of 100 kHz (gain 20) makes phasors smaller by 0.496 % and late by 5.71°"
        in text
    )
    assert "one of 50 kHz (gain 50) makes phasors smaller by 1.94 % and late by 11.3°" in text
    assert "Give --bandwidth" in livesense(*arguments).out
    wrong = livesense(*arguments, "--bandwidth", "1kHz,2kHz,3kHz")
    assert (wrong.code, wrong.out) == (2, "") and "once for each of the 2 gains, got 3" in wrong.err


def test_self_heating(livesense: Command) -> None:
    hot = ("size", "--current", "50A", "--rms", "50A", "--shunt", "1mΩ", "--gain", 20, "--dissipation", "5W")
    answer = livesense(*hot, "--shunt-tempco", "50 ppm/K", "--shunt-heating", "40 K/W", "--json").json
    # R = R0 / (1 - a Rth I² R0), computed.
    assert answer["best"]["self_heating_percent"] == pytest.approx(0.502513, abs=5e-7)
    plain = livesense(*hot, "--shunt-tempco", "50 ppm/K", "--shunt-heating", "40 K/W").out
    assert "its own heat raises its resistance by 0.503 %" in " ".join(plain.split())
    endless = livesense(*hot, "--shunt-tempco", "1 %/K", "--shunt-heating", "40 K/W", "--error", "100 %")
    assert "raises its resistance without end" in " ".join(endless.out.split())


# ── nothing fits ─────────────────────────────────────────────────────────────────────────────────


def test_nothing_fits_names_the_demand_and_by_how_much(livesense: Command) -> None:
    asked = (
        "size",
        "--current",
        "8.5A",
        "--rms",
        "6A",
        "--trip",
        "12A",
        "--gain",
        20,
        "--small-current",
        "0.5A",
    )
    answer = livesense(*asked, "--error", "5 %", "--json")
    assert answer.code == 1
    facts = answer.json
    assert facts["best"] is None and facts["fitting"] == 0
    (change,) = facts["relax"]["changes"]
    assert (change["demand"], change["stated"], change["needed"], change["unit"]) == ("error", 5.0, 8.49, "%")
    assert facts["options"][facts["relax"]["option"]]["shunt_ohm"] == 0.005
    assert [other["changes"][0]["demand"] for other in facts["relax_others"]] == ["current"]
    text = livesense(*asked, "--error", "5 %")
    assert text.code == 1 and "None of 22 candidates fits. Least to relax: the error" in text.out
    # What it says is enough.
    assert livesense(*asked, "--error", f"{change['needed']} %").code == 0


def test_no_infinity_in_json(livesense: Command) -> None:
    answer = livesense("size", "--current", "8.5A", "--reference", "ground", "--json")
    assert answer.code == 1
    assert answer.json["relax"]["changes"][0] == {
        "demand": "reference", "stated": None, "needed": None, "unit": "", "factor": None,
    }  # fmt: skip
    assert answer.json["options"][0]["error_percent"] is None
    assert answer.json["options"][0]["largest_error"] is None


# ── text ─────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "arguments",
    [
        ("--current", "8.5A"),
        ("--current", "0.0123 A", "--series", "E24"),
        ("--current", "99999 A", "--dissipation", "1 MW"),
        ("--current", "123.456 A", "--small-current", "0.00123 A", "--frequency", "1.234 kHz"),
        ("--current", "8.5A", "--reference", "ground", "--bus", "--small-current", "1 mA"),
    ],
)
def test_eighty_columns(livesense: Command, arguments: tuple[str, ...]) -> None:
    answer = livesense("size", *arguments)
    assert answer.code in (0, 1) and answer.err == ""
    assert max(map(len, answer.out.splitlines())) <= 80
    assert "\xa0" not in answer.out


def test_numbers_stay_with_their_units(livesense: Command) -> None:
    out = livesense("size", "--current", "8.5A", "--place", "low-side").out
    assert not re.search(r"\d\n(%|A|mA|W|mW|mΩ|×)", out)
    assert not re.search(r"k =\n2", out)


def test_figures_that_miss_are_marked(livesense: Command, pump: str) -> None:
    out = livesense("size", "--bench", pump, "--small-current", "0.5A").out
    assert re.search(r"^ +4 mΩ +20 +±20 A +66\.7 % +10\.1 mA +144 mW +10\.6 %! +1\.37 %$", out, re.MULTILINE)
    assert re.search(
        r"^\*o +5 mΩ +20 +±16 A +33\.3 % +8\.06 mA +180 mW +8\.49 % +1\.32 %$", out, re.MULTILINE
    )
    assert re.search(r"^ +10 mΩ +20 +±8 A! +−33\.3 % +4\.03 mA +360 mW +4\.37 % +clips$", out, re.MULTILINE)
    assert "* best   o fitted now   ! misses what is asked" in out
    hidden = livesense(
        "size", "--current", "8.5A", "--reference", "ground", "--bus", "--small-current", "1mA", "--gain", 20
    )
    assert "hidden!" in hidden.out


def test_all_shunts_that_are_named_are_shown(livesense: Command) -> None:
    facts = livesense(
        "size", "--current", "8.5A", "--gain", 20, "--shunt", "1mΩ,2mOhm", "--shunt", "5 mΩ", "--json"
    )
    assert [o["shunt_ohm"] for o in facts.json["options"]] == [0.001, 0.002, 0.005]
    assert facts.json["candidates"] == 3 and "series" not in facts.json["assumed"]


def test_a_long_list_of_shunts_is_thinned_out(livesense: Command) -> None:
    shunts = ",".join(f"{n} mΩ" for n in range(1, 25))
    facts = livesense("size", "--current", "8.5A", "--gain", "20,50", "--shunt", shunts, "--json").json
    assert facts["candidates"] == 48 and len(facts["options"]) == 6


# ── points ───────────────────────────────────────────────────────────────────────────────────────


def test_measured_points_are_held_against_the_curve(livesense: Command, pump: str) -> None:
    # The byte order mark that some spreadsheets write is passed over.
    Path("points.csv").write_text(POINTS, encoding="utf-8-sig")
    facts = livesense("size", "--bench", pump, "--points", "points.csv", "--json").json
    assert facts["points"] == [
        {"current_A": 0.5, "error_percent": 7.0, "u_percent": 1.0},
        {"current_A": 5.0, "error_percent": -20.0, "u_percent": 0.5},
    ]
    # 7 % at 0.5 A is within 8.49 %; 20 % at 5 A is not within 1.5 %.
    assert option(facts, 0.005, 20.0)["points_agreeing"] == 1
    text = " ".join(livesense("size", "--bench", pump, "--points", "points.csv").out.split())
    assert "Of 2 measured errors 1 agrees with the curve of 5 mΩ × 20 (within both uncertainties)." in text
    alone = livesense("size", "--current", "8.5A", "--gain", 10, "--points", "points.csv").out
    assert "with the curve of 15 mΩ × 10" in " ".join(alone.split())


def test_a_point_s_own_uncertainty_counts_expanded(livesense: Command, pump: str) -> None:
    # The curve is 8.49 % at 0.5 A: with 2 u = 5 % it covers 9.85 %, and not 10.1 %.
    Path("points.csv").write_text(
        "current_A,error_percent,u_percent\n0.5,9.5,2.5\n0.5,-10.1,2.5\n", encoding="utf-8"
    )
    facts = livesense("size", "--bench", pump, "--points", "points.csv", "--json").json
    assert option(facts, 0.005, 20.0)["points_agreeing"] == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("current,error\n1,2\n", "expected the columns current_A, error_percent, got current, error"),
        ("", "got nothing"),
        ("current_A,error_percent\n", "expected 1 to 1000 points, got 0"),
        (
            "current_A,error_percent\n1,2\n1,two\n",
            "line 3: error_percent: expected a number such as 0.5, got 'two'",
        ),
        ("current_A,error_percent\n1,nan\n", "line 2: error_percent: expected a number"),
        ("current_A,error_percent\n1\n", "line 2: error_percent: expected a number such as 0.5, got ''"),
        ("current_A,error_percent\n0,1\n", "line 2: current_A: expected a current other than 0"),
        ("current_A,error_percent,u_percent\n1,1,-1\n", "u_percent: expected a number from 0 up"),
        ("current_A,error_percent\n" + "1,1\n" * 1001, "expected 1 to 1000 points, got 1001"),
        ('current_A,error_percent\n1,"' + "1" * 200_000 + '"\n', "line 2"),
    ],
)
def test_points_that_are_none(livesense: Command, text: str, said: str) -> None:
    Path("points.csv").write_text(text, encoding="utf-8")
    answer = livesense("size", "--current", "8.5A", "--points", "points.csv")
    assert (answer.code, answer.out) == (2, "")
    assert said in answer.err and answer.err.count("\n") == 1 and len(answer.err) < 500


def test_points_that_cannot_be_read(livesense: Command) -> None:
    assert (
        "cannot read the points in none.csv" in livesense("size", "--current", 1, "--points", "none.csv").err
    )
    Path("points.csv").write_bytes(b"current_A,error_percent\n1,\xff\n")
    answer = livesense("size", "--current", 1, "--points", "points.csv")
    assert answer.code == 2 and "expected UTF-8 text" in answer.err


# ── wrong use ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "expected --current, the largest current in normal use, such as --current 8.5A"),
        (("--current", "8.5 mV"), "expected a current such as \"6 A\", got '8.5 mV'"),
        (("--current", "0"), "expected a current above 0 A and at most 1 MA"),
        (("--current", "8.5A", "--error", "5"), 'expected a relative limit of error such as "0.5 %"'),
        (("--current", "8.5A", "--offset", "150"), 'expected a voltage such as "150 µV"'),
        (("--current", "8.5A", "--bits", "12.5"), "expected a whole number from 1 to 32, got '12.5'"),
        (("--current", "8.5A", "--gain", "0"), "expected a number above 0"),
        (("--current", "8.5A", "--gain", "20,twenty"), "got 'twenty'"),
        (("--current", "8.5A", "--gain", ",".join(map(str, range(1, 14)))), "at most 12 gains, got 13"),
        (("--current", "8.5A", *["--gain", "1,2,3,4,5,6,7"] * 2, "--gain", "8,9,10,11,12,13"), "at most 12"),
        (("--current", "8.5A", "--shunt", "5mA"), 'expected a resistance such as "5 mΩ"'),
        (("--current", "8.5A", "--trip", "5A"), "at least the peak current, 8.5 A, got 5 A"),
        (("--current", "8.5A", "--rms", "9A"), "expected --rms of at most the peak current, 8.5 A, got 9 A"),
        (("--current", "8.5A", "--small-current", "9A"), "expected --small-current below the peak current"),
        (
            ("--current", "8.5A", "--reference", "4 V"),
            "--reference: expected a voltage below the supply of 3.3 V",
        ),
        (("--current", "8.5A", "--reference", "3.3V"), "the ADC's own reference is --adc-reference"),
        (("--current", "8.5A", "--swing", "2 V"), "--swing: expected room between the ends"),
        (
            ("--current", "8.5A", "--shunt-heating", "40K/W"),
            "--shunt-heating: expected shunt_tempco beside it",
        ),
        (("--current", "8.5A", "--channel", "iu"), "expected --bench FILE beside --channel iu"),
        (("--current", "8.5A", "--chart", "chart.png"), "expected a file that ends in .svg or .html"),
        (("--bench", "none.toml"), "none.toml: expected a bench file"),
    ],
)
def test_wrong_use_is_one_message(livesense: Command, arguments: tuple[str, ...], said: str) -> None:
    answer = livesense("size", *arguments)
    assert (answer.code, answer.out) == (2, "")
    assert said in answer.err and answer.err.count("\n") == 1


def test_a_bench_file_without_the_shunt(livesense: Command, pump: str) -> None:
    wrong = livesense("size", "--bench", pump, "--channel", "vbus")
    assert (
        wrong.code == 2
        and "expected --channel out of the shunts in pump.toml: iu, iv, iw; got vbus" in wrong.err
    )
    Path("bare.toml").write_text('[adc]\nreference = "3.3 V"\n', encoding="utf-8")
    none = livesense("size", "--bench", "bare.toml")
    assert none.code == 2 and 'expected a [[channel]] with sensor = "shunt", got none' in none.err


def test_a_file_whose_device_tells_the_bits_takes_an_assumed_width(livesense: Command, pump: str) -> None:
    text = Path(pump).read_text(encoding="utf-8").replace("bits = 12", "")
    Path(pump).write_text(text, encoding="utf-8")
    facts = livesense("size", "--bench", pump, "--json").json
    assert facts["assumed"]["bits"] == "12"
    assert facts["best"]["code_A"] == pytest.approx(3.3 / 4096 / 0.1)


def test_a_file_that_an_option_does_not_fit_is_named(livesense: Command, pump: str) -> None:
    answer = livesense("size", "--bench", pump, "--reference", "4 V")
    assert answer.code == 2 and answer.err.startswith(
        'livesense: pump.toml: channel "iu": reference: expected'
    )


def test_a_current_beyond_the_rated_one_keeps_the_rated_rms(livesense: Command, pump: str) -> None:
    facts = livesense("size", "--bench", pump, "--current", "10A", "--json").json
    assert (facts["demands"]["current_A"], facts["demands"]["rms_A"]) == (10.0, 6.0)
    beyond = livesense("size", "--bench", pump, "--current", "5A", "--json").json
    assert beyond["demands"]["rms_A"] == pytest.approx(5 / math.sqrt(2))
    rms = livesense("size", "--rms", "6A", "--json").json
    assert rms["demands"]["current_A"] == pytest.approx(6 * math.sqrt(2))

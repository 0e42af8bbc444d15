"""What is wrong stands at its field, several mistakes at once; what is right tells what it is worth."""

import xml.etree.ElementTree

import pytest

from livesense.bench_form.editing import read_form
from livesense.bench_form.judging import judged
from simulator.main import BENCH

PUMP = BENCH.read_text(encoding="utf-8")


def problems(change):
    form = read_form(PUMP, "pump.toml")
    change(form)
    return judged(PUMP, form, "pump.toml")["problems"]


def channel(form, at):
    return form["channel"][at]["keys"]


def test_mistakes_of_several_fields_are_told_together():
    def change(form):
        channel(form, 0)["gain"] = "x"
        channel(form, 1)["shunt"] = "5 mA"
        form["adc"]["reference"] = "3,3"
        form["bench"]["bus_voltage"] = "24 V"

    assert problems(change) == {
        "channel.0.gain": 'expected a number above 0 and at most 1e+06, got "x"',
        "channel.1.shunt": 'expected a resistance such as "5 mΩ", got "5 mA"',
        "adc.reference": 'expected a voltage such as "3.3 V", got "3.3"',
    }


@pytest.mark.parametrize(
    ("change", "place", "words"),
    [
        (lambda f: channel(f, 2).update(name="iu"), "channel.2.name", "expected each name once"),
        (lambda f: channel(f, 2).pop("gain"), "channel.2.gain", "expected a number such as 20, got nothing"),
        (lambda f: channel(f, 2).pop("name"), "channel.2.name", "expected a name"),
        (lambda f: f["watch"][0]["keys"].update(limit="50 A"), "watch.0.limit", "can read, -16 A to 16 A"),
        (lambda f: f["watch"][0]["keys"].update(channels="ix"), "watch.0.channels", "ix"),
        (lambda f: f["link"].update(wire="record"), "link", "record: expected a table"),
        (lambda f: channel(f, 0).update(plus_input="ground"), "channel.0.plus_input", "expected"),
        (lambda f: f["adc"].pop("reference"), "channel.0.adc_reference", "expected"),
        (lambda f: f["link"].update(columns="n, iu"), "link.columns", "no such key"),
    ],
)
def test_a_mistake_of_the_whole_stands_at_its_field(change, place, words):
    found = problems(change)
    if place == "channel.0.adc_reference":
        # Whichever key the message names: it is told at this channel or at the converter.
        assert len(found) == 1
        (place,) = found
        assert place.split(".")[0] in ("channel", "adc")
        return
    assert list(found) == [place]
    assert words in found[place]


def test_what_a_channel_is_worth():
    found = judged(PUMP, read_form(PUMP, "pump.toml"), "pump.toml")
    assert found["problems"] == {}
    assert found["text"] == PUMP
    iu = found["channels"][0]
    facts = dict(iu["facts"])
    # 3.3 V / 4096 / (20 × 5 mΩ) = 8.057 mA; half of 3.3 V less 50 mV over 0.1 V/A = 16 A (closed forms).
    assert facts["One code"].startswith("8.05") and facts["One code"].endswith("mA")
    assert facts["Range"] == "−16 to 16 A"
    assert facts["Code of zero"] == "2048"
    assert facts["Uncertainty"].startswith("at 6 A (rated current, rms): ± 0.07")
    assert iu["budget"][0][0] == "resistance of the shunt"
    assert "swing_low" in iu["assumed"]
    picture = xml.etree.ElementTree.fromstring(found["chart"]["light"])
    assert picture.tag.endswith("svg")
    assert "iu, iv, iw" in "".join(picture.itertext())


def test_a_hostile_name_is_text_in_the_chart():
    form = read_form(PUMP, "pump.toml")
    found = judged(PUMP, form, '<img src="x" onerror="alert(1)">.toml')
    assert "<img" not in found["chart"]["light"] + found["chart"]["dark"]


def test_without_bits_the_rest_is_told():
    form = read_form(PUMP, "pump.toml")
    del form["adc"]["bits"]
    found = judged(PUMP, form, "pump.toml")
    assert found["problems"] == {} and found["channels"] == [] and found["chart"] is None
    assert any("bits" in text for text in found["warnings"])

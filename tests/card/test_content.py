"""What the card says: wiring in words, origins, blanks, blocks that are joined."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from livesense.bench import Bench, parse
from livesense.bench.keys import TABLES
from livesense.card.build import card_of
from livesense.card.content import BLANK, Block, Card, Row
from livesense.card.drawing import HEIGHT, WIDTH, Area, Circle, Label, Line, Sense, sense_drawing
from livesense.card.points import numbers

Make = Callable[..., Bench]

MOTOR = '[motor]\nrated_current = "6 A"\n'
WATCH = '[[watch]]\nkind = "overcurrent"\nchannels = ["i"]\nlimit = "12 A"\nhold = "100 us"\n'
BUS = '[bench]\nbus_voltage = "24 V"\n'


def card(bench: Bench) -> Card:
    return card_of(bench, numbers(bench))


def block(bench: Bench) -> Block:
    (found,) = card(bench).blocks
    return found


def rows(block: Block) -> dict[str, Row]:
    return {row.label: row for row in (*block.wiring, *block.checks, *block.limits)}


# ── wiring ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("reference", "words"),
    [
        ('"ground"', "both to ground"),
        ('"supply"', "both to the amplifier's supply"),
        ('"mid-supply"', "one to the supply, one to ground"),
        ('"1.65 V"', "both to an outside 1.65 V"),
    ],
)
def test_reference_pins_in_words(bench: Make, reference: str, words: str) -> None:
    row = rows(block(bench(reference=reference)))["Reference pins"]
    assert row.value == words
    assert f"reference = {reference}" in row.origin


@pytest.mark.parametrize(
    ("keys", "plus", "minus", "arrow"),
    [
        ({}, "bridge's", "motor's", "from bridge to motor: output rises"),
        ({"plus_input": '"motor"'}, "motor's", "bridge's", "from bridge to motor: output falls"),
        ({"place": '"high-side"'}, "supply's", "bridge's", "from supply to bridge: output rises"),
        ({"place": '"low-side"'}, "bridge's", "0 V", "from ground to bridge: output falls"),
        ({"place": '"low-side"', "phase": '"bus"'}, "bridge's", "0 V", "from bridge to ground: output rises"),
        ({"phase": '"bus"'}, "supply's", "bridge's", "from supply to bridge: output rises"),
    ],
)
def test_inputs_and_arrow(bench: Make, keys: dict[str, str], plus: str, minus: str, arrow: str) -> None:
    found = rows(block(bench(**({"phase": '"U"'} | keys))))
    assert found["+ input"].value == f"to the {plus} side"
    assert found["− input"].value == f"to the {minus} side"
    assert arrow in found["Arrow"].value


def test_a_bench_that_reads_no_positive_current_is_told(bench: Make) -> None:
    assert "positive current is not read" in rows(block(bench(reference='"supply"')))["Mind"].value
    assert "Mind" not in rows(block(bench(reference='"supply"', plus_input='"motor"')))


# ── points and their origins ─────────────────────────────────────────────────────────────────────


def test_points_stand_with_their_formula(bench: Make) -> None:
    found = block(bench(phase='"U"', more=MOTOR + WATCH)).points
    assert found is not None
    assert found.rows[0] == ("at zero", "0", "1.650", "2048", "", "", "")
    assert found.rows[1] == ("1 A", "+1", "1.750", "2172", "−1", "1.550", "1924")
    assert ("rated peak", "+8.485", "2.499", "3101", "−8.485", "0.801", "995") in found.rows
    assert ("first trip", "+12", "2.850", "3537", "−12", "0.450", "559") in found.rows
    assert found.rows[-1] == ("clips at", "+16.49", "3.299", "4095", "−16.5", "0.000", "0")
    assert "V at pin = 1.65 V + 20 × 5 mΩ × I" in found.notes[0]
    assert "code = V at pin ÷ 805.664 µV (3.3 V ÷ 4096)" in found.notes[0]
    assert "rated peak: √2 × 6 A ([motor] rated_current)" in found.notes[1]


@pytest.mark.parametrize(
    ("keys", "curve"),
    [
        (
            {"r25": '"10 kΩ"', "beta": '"3950 K"'},
            "R = 10 kΩ × exp(3950 K × (1/T − 1/298.15 K)) (r25, beta)",
        ),
        (
            {"steinhart_hart": "[1.129148e-3, 2.34125e-4, 8.76741e-8]"},
            "1/T = 0.001129148 + 0.000234125 × ln R + 8.76741e−08 × (ln R)³, T in K and R in Ω "
            "(steinhart_hart)",
        ),
    ],
)
def test_the_curve_of_a_thermistor(bench: Make, keys: dict[str, str], curve: str) -> None:
    points = block(bench({"sensor": '"ntc"', "pull_up": '"10 kΩ"', **keys})).points
    assert points is not None and points.notes[1] == curve


def test_one_direction_has_one_side_and_both_ends(bench: Make) -> None:
    found = block(bench(reference='"ground"', swing_low='"50 mV"')).points
    assert found is not None and len(found.header) == 4
    assert ("clips at", "+32.99", "3.299", "4095") in found.rows
    assert ("reads from", "+0.5", "0.050", "63") in found.rows


def test_both_ends_may_lie_below_zero(bench: Make) -> None:
    # The output rests at its supply and would have to rise: 50 mV below it is -0.5 A, and 0 V -33 A.
    found = block(bench(reference='"supply"', swing_high='"50 mV"')).points
    assert found is not None
    assert ("clips at", "", "", "", "−33", "0.000", "0") in found.rows
    assert ("reads from", "", "", "", "−0.5", "3.250", "4033") in found.rows


def test_what_clips_is_not_read(bench: Make) -> None:
    found = block(bench(phase='"U"', gain="50", more=MOTOR)).points
    assert found is not None
    # √2 × 6 A × 250 mV/A lies beyond 1.65 V.
    assert ("rated peak", "+8.485", "not read", "", "−8.485", "not read", "") in found.rows


def test_each_row_of_a_stated_bench_names_where_it_comes_from(pump: Bench) -> None:
    for found in card(pump).blocks:
        for row in (*found.checks, *found.limits):
            assert row.origin, row


def test_keys_that_are_named_exist(pump: Bench) -> None:
    every = {key for keys in TABLES.values() for key in keys}
    shunt = rows(card(pump).blocks[0])
    for label, keys in {
        "First trip": ("limit",),
        "Sampled": ("sampled_at", "delay"),
        "Output swing": ("swing_low", "swing_high"),
        "Common mode": ("bus_voltage",),
        "Meter at 0 A": ("offset", "reference_tolerance"),
    }.items():
        for key in keys:
            assert key in every and key in shunt[label].origin, (label, shunt[label])


def test_trip_headroom_and_heat_are_said_with_their_sums(bench: Make) -> None:
    found = rows(block(bench(phase='"U"', swing_low='"50 mV"', swing_high='"50 mV"', more=MOTOR + WATCH)))
    assert found["First trip"].value == "12 A: codes from 3538 up and from 558 down"
    assert found["First trip"].origin == "[[watch]] 1: limit, each scan for 100 µs; released at 11.4 A"
    # 16 / 12 - 1 and 16 / 8.485 - 1.
    assert found["Headroom"].value == "33.3 % beyond the trip, 88.6 % beyond the rated peak"
    assert "180 mW at the rated 6 A rms; 720 mW if the trip value lasts" in found["Heat"].value
    assert "(6 A)² × 5 mΩ" in found["Heat"].origin


def test_common_mode_says_what_both_inputs_carry(bench: Make) -> None:
    assert "0 V to 24 V" in rows(block(bench(phase='"U"', more=BUS)))["Common mode"].value
    assert rows(block(bench(phase='"bus"', more=BUS)))["Common mode"].value.startswith("24 V always")
    assert "± 82.5 mV" in rows(block(bench(phase='"U"', place='"low-side"')))["Common mode"].value
    assert any(
        lead == "Common mode." and "common practice, no source" in rest
        for lead, rest in card(bench()).cautions
    )


def test_a_pin_that_can_be_driven_beyond_is_told(bench: Make) -> None:
    found = rows(block(bench(supply='"5 V"', source_resistance='"1 kΩ"')))["ADC pin"]
    assert "5 V, 1.7 V beyond the ADC's reference" in found.value
    assert "1.7 mA into a clamp" in found.origin
    assert "cannot drive it beyond" in rows(block(bench()))["ADC pin"].value
    assert "at most" in rows(block(bench(supply='"3 V"')))["ADC pin"].value


# ── blanks ───────────────────────────────────────────────────────────────────────────────────────


def test_what_is_not_stated_is_a_blank_with_its_key(bench: Make) -> None:
    # Neither offset, rated current, watch, bus voltage nor swings.
    made = bench(phase='"U"')
    text = made.text.replace('swing_low = "0 V"\nswing_high = "0 V"\n', "")
    found = block(parse(text))
    said = rows(found)
    assert BLANK in said["Common mode"].value and "bus_voltage" in said["Common mode"].origin
    assert BLANK in said["First trip"].value and "[[watch]]" in said["First trip"].origin
    assert BLANK in said["Heat"].value and "rated_current" in said["Heat"].origin
    assert f"swing_low = {BLANK}" in said["Output swing"].origin
    assert said["Meter at 0 A"].value == f"1.6500 V, ± {BLANK} mV"
    assert "offset" in said["Not in these"].value
    assert found.points is not None and f"[motor] rated_current = {BLANK} A" in found.points.notes[1]


def test_blanks_shrink_as_the_file_tells_more(bench: Make) -> None:
    def blanks(found: Block) -> int:
        return sum(f"{row.value} {row.origin}".count(BLANK) for row in rows(found).values())

    more = bench(phase='"U"', offset='"150 µV"', more=BUS + MOTOR + WATCH)
    assert blanks(block(more)) < blanks(block(bench(phase='"U"')))


# ── blocks ───────────────────────────────────────────────────────────────────────────────────────


def test_channels_that_are_alike_share_a_block(pump: Bench) -> None:
    blocks = card(pump).blocks
    assert [found.names for found in blocks] == [("iu", "iv", "iw"), ("vbus",)]
    assert blocks[0].about.startswith("phases U, V, W, in-line")
    assert "iu 0 s, iv 200 ns, iw 400 ns" in rows(blocks[0])["Sampled"].value
    assert rows(blocks[0])["Found at 0 A"].value.count(BLANK) == 3


def test_zeros_are_found_of_currents_alone(bench: Make) -> None:
    hall = {"sensor": '"linear"', "zero": '"1.65 V"'}
    assert "Found at 0 A" in rows(block(bench(hall, scale='"25 A/V"')))
    assert not any(label.startswith("Found") for label in rows(block(bench(hall, scale='"100 °C/V"'))))


def test_large_currents_keep_their_digits(bench: Make) -> None:
    found = block(bench(shunt='"5 µΩ"')).points
    # 1.65 V / (20 × 5 µΩ).
    assert found is not None and found.rows[-1][4] == "−16500"


def test_channels_that_differ_do_not(pump: Bench) -> None:
    text = pump.text.replace('shunt = "5 mΩ"', 'shunt = "4 mΩ"', 1)
    assert [found.names for found in card(parse(text)).blocks] == [("iu",), ("iv", "iw"), ("vbus",)]


def test_a_low_side_leg_says_when_its_current_is_there(bench: Make) -> None:
    low = {"phase": '"U"', "place": '"low-side"'}
    assert BLANK in rows(block(bench(**low)))["Sampled"].value
    assert (
        rows(block(bench(**low, sampled_at='"low-on"')))["Sampled"].value == "while the low switch conducts"
    )


@pytest.mark.parametrize(
    ("sensor", "words"),
    [
        ({"sensor": '"divider"', "phase": '"bus"', "ratio": "11"}, "bus voltage, divider 11 : 1"),
        ({"sensor": '"linear"', "scale": '"-25 A/V"', "zero": '"1.65 V"'}, "voltage output"),
        ({"sensor": '"rtd"', "pull_up": '"1 kΩ"'}, "platinum resistor"),
        ({"sensor": '"direct"', "unit": '"rpm"'}, "value from the firmware"),
        ({"sensor": '"state"', "labels": '{ 0 = "off" }'}, "state"),
    ],
)
def test_every_other_sensor_has_a_block(bench: Make, sensor: dict[str, str], words: str) -> None:
    found = block(bench(sensor))
    assert words in found.about and found.drawing is None and found.wiring


def test_a_computed_channel_has_none_of_its_own(bench: Make) -> None:
    more = '[[channel]]\nname = "w"\nphase = "W"\nsensor = "computed"\nfrom = ["i"]\n'
    found = card(bench(more=more)).blocks[1]
    assert found.about == "phase W, computed: −(i)"
    assert rows(found)["Reads"].value == "−16.49 A to 16.5 A"


def test_the_card_names_its_file_and_changes_with_it(pump: Bench) -> None:
    assert "pump.toml" in card(pump).origin
    assert card(pump).origin != card(replace(pump, text=pump.text + "\n")).origin


# ── drawings ─────────────────────────────────────────────────────────────────────────────────────

SENSES = [
    Sense(place, phase, nodes, first, "5 mΩ", "×20")
    for place, phase, nodes in (
        ("in-line", "U", ("bridge", "motor")),
        ("high-side", "U", ("supply", "bridge")),
        ("low-side", "U", ("ground", "bridge")),
        ("high-side", "bus", ("supply", "bridge")),
        ("low-side", "bus", ("bridge", "ground")),
    )
    for first in (True, False)
]


@pytest.mark.parametrize("sense", SENSES)
def test_drawings_stay_within_their_frame(sense: Sense) -> None:
    for shape in sense_drawing(sense).shapes:
        match shape:
            case Line(points) | Area(points):
                places = list(points)
            case Circle(x, y, r):
                places = [(x - r, y - r), (x + r, y + r)]
            case Label(x, y, text, anchor):
                wide = 4.5 * len(text)
                left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
                places = [(left, y - 5), (left + wide, y)]
        assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in places), shape


def place_of(sense: Sense, text: str) -> tuple[float, float]:
    (found,) = (s for s in sense_drawing(sense).shapes if isinstance(s, Label) and s.text == text)
    return found.x, found.y


@pytest.mark.parametrize("sense", SENSES)
def test_plus_and_minus_stand_at_their_nodes(sense: Sense) -> None:
    # In a leg the nodes stand above each other, elsewhere beside each other.
    axis = 1 if sense.place != "in-line" and sense.phase != "bus" else 0
    first, second = (place_of(sense, node)[axis] for node in sense.nodes)
    signs = [s for s in sense_drawing(sense).shapes if isinstance(s, Label) and s.text in ("+", "−")]
    # The source of a bus drawing has signs of its own, to the left of everything.
    plus, minus = (next((s.x, s.y)[axis] for s in signs if s.text == t and s.x > 20) for t in ("+", "−"))
    assert (plus < minus) == ((first < second) == sense.plus_first)


@pytest.mark.parametrize("sense", SENSES)
def test_the_arrow_runs_from_the_first_node_to_the_second(sense: Sense) -> None:
    axis = 1 if sense.place != "in-line" and sense.phase != "bus" else 0
    first, second = (place_of(sense, node)[axis] for node in sense.nodes)
    (head,) = (
        s for s in sense_drawing(sense).shapes if isinstance(s, Area) and s.solid and len(s.points) == 3
    )
    tip, *wings = (point[axis] for point in head.points)
    assert (tip > sum(wings) / 2) == (second > first)

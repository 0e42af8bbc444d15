"""The budget against a Monte Carlo twin (JCGM 101:2008): benches drawn from their own limits.

The twin knows the physics of a chain and nothing of the budget: it draws every error from its limits, sends a
current through the chain that results, and reads the code with the nominal one.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from livesense.bench import parse
from livesense.chain import Chain, ChannelChain
from livesense.samples import CodeType, GroupInfo

DRAWS = 40_000
BITS, VREF = 12, 3.3


@dataclass
class Drawn:
    """Limits of one bench, drawn at random; its bench file and its physics."""

    rng: np.random.Generator
    ohm: float = 0.005
    gain: float = 20.0
    limits: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rng = self.rng
        self.ohm = float(rng.choice([0.001, 0.005, 0.01]))
        self.gain = float(rng.choice([10, 20, 50]))
        self.outside = bool(rng.random() < 0.4)
        self.place = str(rng.choice(["in-line", "high-side", "low-side"]))
        draw = {
            "shunt": 0.01, "gain": 0.005, "reference": 0.01, "adc_gain": 0.002, "offset": 300e-6,
            "adc_offset": 3.0, "inl": 2.0, "tempco": 100e-6, "gain_drift": 50e-6, "offset_drift": 3e-6,
            "zero": 0.005, "input": 0.2, "pin": 1e-6,
        }  # fmt: skip
        self.limits = {key: float(rng.uniform(0.1, 1.0) * most) for key, most in draw.items()}
        self.change_k = float(rng.uniform(5, 40))
        self.heating = float(rng.uniform(10, 60))
        self.copper = float(rng.uniform(0, 0.01) * self.ohm)
        self.filter, self.between = float(rng.choice([0, 10, 50])), 5000.0
        self.rejection_db, self.bus_v = float(rng.uniform(80, 120)), 24.0
        self.source = float(rng.choice([0, 1000, 4700]))

    def text(self) -> str:
        a = self.limits
        zero = f'reference = "1.65 V"\nzero_tolerance = "{100 * a["zero"]:.9g} %"'
        if not self.outside:
            zero = 'reference = "mid-supply"'
        return f"""
[bench]
bus_voltage = "{self.bus_v:g} V"
temperature_change = "{self.change_k:.9g} K"
[adc]
bits = {BITS}
reference = "{VREF} V"
reference_tolerance = "{100 * a["reference"]:.9g} %"
gain_error = "{100 * a["adc_gain"]:.9g} %"
offset_error = "{a["adc_offset"]:.9g} LSB"
inl = "{a["inl"]:.9g} LSB"
input_current = "{1e6 * a["pin"]:.9g} µA"
[[channel]]
name = "i"
phase = "U"
place = "{self.place}"
plus_input = "{ {"in-line": "bridge", "high-side": "supply", "low-side": "ground"}[self.place] }"
sensor = "shunt"
shunt = "{1e3 * self.ohm:g} mΩ"
shunt_tolerance = "{100 * a["shunt"]:.9g} %"
shunt_tempco = "{1e6 * a["tempco"]:.9g} ppm/K"
shunt_heating = "{self.heating:.9g} K/W"
sense_copper = "{1e3 * self.copper:.9g} mΩ"
gain = {self.gain:g}
gain_error = "{100 * a["gain"]:.9g} %"
gain_drift = "{1e6 * a["gain_drift"]:.9g} ppm/K"
offset = "{1e6 * a["offset"]:.9g} µV"
offset_drift = "{1e6 * a["offset_drift"]:.9g} µV/K"
common_mode_rejection = "{self.rejection_db:.9g} dB"
filter_resistance = "{self.filter:g} Ω"
input_resistance = "{self.between:g} Ω"
input_resistance_tolerance = "{100 * a["input"]:.9g} %"
source_resistance = "{self.source:g} Ω"
{zero}
"""

    def channel(self) -> ChannelChain:
        group = GroupInfo(20_000.0, CodeType.U16, None, ("i",))
        return Chain(parse(self.text()), [group]).channels["i"]

    def read(self, current_a: float, nominal: ChannelChain) -> np.ndarray:
        """Readings of one steady current by so many benches, ``(DRAWS,)`` A."""
        e = {key: self.rng.uniform(-limit, limit, DRAWS) for key, limit in self.limits.items()}
        warmer_k = self.rng.uniform(-self.change_k, self.change_k, DRAWS)
        own_k = self.heating * current_a**2 * self.ohm
        ohm = self.ohm * (1 + e["shunt"] + e["tempco"] * (warmer_k + own_k))
        ohm = ohm + self.rng.uniform(0, self.copper, DRAWS)
        between = self.between * (1 + e["input"])
        at_inputs_v = current_a * ohm * between / (between + 2 * self.filter)
        common_v = {"in-line": self.bus_v / 2, "high-side": self.bus_v, "low-side": 0.0}[self.place]
        left = 10 ** (-self.rejection_db / 20) * self.rng.uniform(-1, 1, DRAWS)
        at_inputs_v = at_inputs_v + e["offset"] + e["offset_drift"] * warmer_k + common_v * left
        reference_v = VREF * (1 + e["reference"])
        zero_v = 1.65 * (1 + e["zero"]) if self.outside else reference_v / 2
        out_v = zero_v + self.gain * (1 + e["gain"] + e["gain_drift"] * warmer_k) * at_inputs_v
        pin_v = out_v + self.source * e["pin"]
        codes = pin_v / reference_v * 2**BITS * (1 + e["adc_gain"]) + e["adc_offset"] + e["inl"]
        return nominal.values(codes)


@pytest.mark.parametrize("seed", range(25))
def test_the_budget_is_the_spread_of_drawn_benches(seed: int) -> None:
    bench = Drawn(np.random.default_rng(seed))
    nominal = bench.channel()
    full_a = nominal.high
    for share in (0.0, 0.1, 0.9):
        current_a = share * full_a
        errors = bench.read(current_a, nominal) - current_a
        u = float(nominal.u_systematic(current_a))
        # Copper makes readings too large: what a limit to both sides stands for is the mean of the squares.
        assert np.sqrt(np.mean(errors**2)) == pytest.approx(u, rel=0.05), (share, bench.text())
        assert np.mean(np.abs(errors) <= 2 * u) >= 0.945, (share, bench.text())


@pytest.mark.parametrize("seed", range(25, 30))
def test_the_rows_of_the_table_make_up_the_whole(seed: int) -> None:
    nominal = Drawn(np.random.default_rng(seed)).channel()
    for value in (0.0, 0.3 * nominal.high, -0.5 * nominal.high):
        rows = nominal.budget.rows(value)
        assert sum(row["contribution"] ** 2 for row in rows) == pytest.approx(
            nominal.u_systematic(value) ** 2
        )
        assert sum(row["share_percent"] for row in rows) == pytest.approx(100)
        parts = [row["contribution"] for row in rows]
        assert parts == sorted(parts, reverse=True)
        for row in rows:
            assert row["contribution"] == pytest.approx(abs(row["sensitivity"]) * row["u"])


def test_a_row_s_sensitivity_is_the_slope_of_the_reading() -> None:
    """Each term alone, moved a little: the reading moves by its sensitivity."""
    nominal = Drawn(np.random.default_rng(99)).channel()
    value = 0.4 * nominal.high
    for term in nominal.budget.terms:
        alone = type(nominal.budget)((term,), nominal.budget.pin_zero)
        row = alone.rows(value, alternating=str(term.acts) == "alternating")[0]
        assert row["share_percent"] == pytest.approx(100)
        if str(term.acts) != "alternating":
            assert row["contribution"] == pytest.approx(float(alone.u_at(value)))

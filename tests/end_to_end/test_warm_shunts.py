"""A thermometer that is assigned to a shunt: its tempco counts over what was measured."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from livesense.bench import parse
from livesense.errors import BenchError

BENCH = """
[link]
wire = "text"
columns = ["n", "iu", "t_shunt"]
[[group]]
rate = "1 kHz"
[adc]
bits = 12
reference = "3.3 V"
[[channel]]
name = "iu"
phase = "U"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tempco = "50 ppm/K (k=1)"
temperature = "t_shunt"
gain = 20
reference = "mid-supply"
[[channel]]
name = "t_shunt"
sensor = "linear"
unit = "°C"
scale = "100 °C/V"
zero = "0.5 V"
"""


@pytest.mark.parametrize("warm_c", [25.0, 65.0, 105.0])
def test_the_tempco_counts_over_the_measured_change(
    livesense: Callable[..., Any], tmp_path: Path, warm_c: float
) -> None:
    t = np.arange(1000) / 1000
    i = np.round(2048 + 1000 * np.cos(2 * math.pi * 50 * t)).astype(int)
    code = round((warm_c / 100 + 0.5) / 3.3 * 4096)
    (tmp_path / "s.txt").write_text("".join(f"{n},{c},{code}\n" for n, c in enumerate(i)), encoding="utf-8")
    (tmp_path / "b.toml").write_text(BENCH, encoding="utf-8")
    assert livesense("record", "b.toml", "--port", "file:s.txt", "--until-closed", "--quiet").code == 0
    iu = livesense("measure", "last", "--json").json["channels"]["iu"]
    assert "shunt_tempco" not in iu["u_excludes"]
    # Nothing else of the scale is stated; what is left at 25 °C is the noise of the figure.
    u = iu["fundamental_rms"]["u"]
    by_tempco = iu["fundamental_rms"]["value"] * 50e-6 * abs(warm_c - 25)
    assert u == pytest.approx(math.hypot(by_tempco, 0.0), abs=2e-3 * iu["fundamental_rms"]["value"])
    if warm_c == 105.0:
        assert u > 0.9 * by_tempco > 0


def test_it_has_to_be_a_thermometer_that_is_there() -> None:
    with pytest.raises(
        BenchError, match="temperature: expected a channel that measures °C out of t_shunt, got"
    ):
        parse(BENCH.replace('temperature = "t_shunt"', 'temperature = "iu"'))
    alone = BENCH.replace('unit = "°C"\nscale = "100 °C/V"', 'unit = "A"\nscale = "100 A/V"')
    with pytest.raises(BenchError, match="expected a channel in °C, got"):
        parse(alone)

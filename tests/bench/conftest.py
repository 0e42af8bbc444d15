"""A bench file to change one thing at a time."""

from collections.abc import Callable

import pytest

from livesense.bench import Bench, parse

PHASE = """
[[channel]]
name = "i{letter}"
phase = "{phase}"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
reference = "mid-supply"
"""

PUMP = (
    """\
[bench]
name = "coolant pump, 24 V"
[link]
port = "COM5"
baud = 3000000
wire = "framed"
[adc]
bits = 12
reference = "3.3 V"
[motor]
pole_pairs = 5
"""
    + "".join(PHASE.format(letter=phase.lower(), phase=phase) for phase in "UVW")
    + """
[[channel]]
name = "vbus"
phase = "bus"
sensor = "divider"
ratio = 11

[[watch]]
kind = "overcurrent"
channels = ["iu", "iv", "iw"]
limit = "12 A"
"""
)


@pytest.fixture
def pump() -> str:
    return PUMP


@pytest.fixture
def changed() -> Callable[..., Bench]:
    """Reads the pump's bench file with one text replaced (the first that fits) and more behind it."""

    def read(old: str = "", new: str = "", *, more: str = "") -> Bench:
        assert old in PUMP
        return parse(PUMP.replace(old, new, 1) + more, "benches/pump.toml")

    return read

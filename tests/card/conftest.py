"""Cards made from bench-file text, so that tests say what a user would write."""

from collections.abc import Callable

import pytest

from livesense.bench import Bench, parse
from livesense.bench.template import starter
from livesense.card.points import Numbers, numbers

SHUNT = {
    "name": '"i"',
    "sensor": '"shunt"',
    "shunt": '"5 mΩ"',
    "gain": "20",
    "reference": '"mid-supply"',
    "swing_low": '"0 V"',
    "swing_high": '"0 V"',
}


def table(values: dict[str, str]) -> str:
    return "".join(f"{key} = {value}\n" for key, value in values.items())


@pytest.fixture
def bench() -> Callable[..., Bench]:
    """A bench of one channel; the keywords are keys of [[channel]] as they stand in the file."""

    def make(
        sensor: dict[str, str] | None = None,
        *,
        adc: dict[str, str] | None = None,
        more: str = "",
        **keys: str,
    ) -> Bench:
        settings = (SHUNT if sensor is None else {"name": '"i"'} | sensor) | keys
        converter = {"bits": "12", "reference": '"3.3 V"'} | (adc or {})
        return parse(f"[adc]\n{table(converter)}[[channel]]\n{table(settings)}{more}", "pump.toml")

    return make


@pytest.fixture
def one(bench: Callable[..., Bench]) -> Callable[..., Numbers]:
    """The numbers of one channel."""

    def make(*sensor: dict[str, str], **keys: object) -> Numbers:
        (found,) = numbers(bench(*sensor, **keys))
        return found

    return make


@pytest.fixture
def pump() -> Bench:
    """The file that `livesense init` writes."""
    return parse(starter(), "pump.toml")

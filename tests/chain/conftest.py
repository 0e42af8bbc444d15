"""Chains made from bench-file text, so that tests say what a user would write."""

from collections.abc import Callable

import pytest

from livesense.bench import parse
from livesense.chain import Chain, ChannelChain
from livesense.samples import CodeType, GroupInfo

ADC = {"bits": "12", "reference": '"3.3 V"'}
SHUNT = {
    "name": '"i"',
    "sensor": '"shunt"',
    "shunt": '"1 mΩ"',
    "gain": "20",
    "reference": '"mid-supply"',
    "swing_low": '"0 V"',
    "swing_high": '"0 V"',
}


def _table(values: dict[str, str]) -> str:
    return "".join(f"{key} = {value}\n" for key, value in values.items())


@pytest.fixture
def channel() -> Callable[..., ChannelChain]:
    """One channel; ``adc`` and the keywords are keys of [adc] and [[channel]] as they stand in the file."""

    def make(
        sensor: dict[str, str] | None = None,
        *,
        adc: dict[str, str] | None = None,
        code: CodeType = CodeType.U16,
        device_bits: int | None = None,
        decimals: tuple[int, ...] = (),
        **keys: str,
    ) -> ChannelChain:
        settings = (SHUNT if sensor is None else {"name": '"i"'} | sensor) | keys
        text = f"[adc]\n{_table(ADC | (adc or {}))}[[channel]]\n{_table(settings)}"
        group = GroupInfo(20_000.0, code, device_bits, ("i",), decimals=decimals)
        return Chain(parse(text), [group]).channels["i"]

    return make

"""A message about a word offers only words that work."""

import pytest

from livesense.bench import parse


@pytest.mark.parametrize(
    ("key", "offered"),
    [
        ("kind", '"overtemperature", "stall" or "standing"'),
        ("quantity", '"instant", "vector" or "cycle-rms"'),
    ],
)
def test_a_wrong_word_of_a_watch_is_told_what_works(pump: str, key: str, offered: str) -> None:
    given = pump.replace('kind = "overcurrent"', 'kind = "overcurrent"\nquantity = "instant"', 1)
    at = given.index(f"{key} = ", given.index("[[watch]]"))
    wrong = given[:at] + f'{key} = "undercurrent"' + given[given.index("\n", at) :]
    with pytest.raises(ValueError) as caught:
        parse(wrong, "pump.toml")
    assert str(caught.value).endswith(f'{offered}, got "undercurrent"')
    assert f"{key}: expected " in str(caught.value)

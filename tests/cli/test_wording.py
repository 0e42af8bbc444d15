"""Numbers and signs as people read them: the same rule on the terminal and on the page."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from livesense.cli.output import quantity
from livesense.wording import MINUS, counted, plain, shown, significant


@pytest.mark.parametrize(
    ("value", "u", "unit", "expected"),
    [
        (4.12345, 0.0105, "A", "4.123 ± 0.021 A"),
        (4.12345, 0.021, "A", "4.12 ± 0.05 A"),
        (3120.4, 0.06, "rpm", "3120.40 ± 0.12 rpm"),
        (0.00123, 0.5, "A", "0.0 ± 1.0 A"),
        (-1.26, 0.2, "A", "−1.3 ± 0.4 A"),
        (20013.7, 20.0, "Hz", "20010 ± 40 Hz"),
        (12.0, 0.0, "A", "12 A"),
        (-12.5, 0.0, "", "−12.5"),
        (24.0321, None, "V", "24.03 V"),
    ],
)
def test_a_quantity_has_the_digits_that_its_uncertainty_allows(
    value: float, u: float | None, unit: str, expected: str
) -> None:
    estimate = {"value": value, "u": u, "unit": unit}
    assert quantity(estimate) == expected
    figure = shown(estimate)
    assert figure is not None
    assert expected.startswith(figure.value)


@pytest.mark.parametrize("estimate", [None, {"value": None, "u": 0.1, "unit": "A"}])
def test_a_withheld_quantity_says_why(estimate: dict[str, object] | None) -> None:
    assert quantity(estimate, "no line") == "withheld: no line"
    assert quantity(estimate) == "withheld"


def test_one_and_several() -> None:
    assert [counted(n, "gap") for n in (0, 1, 2)] == ["0 gaps", "1 gap", "2 gaps"]
    assert counted(2, "outage of the port", "outages of the port") == "2 outages of the port"
    assert counted(2000, "scan", write="{:,}".format) == "2,000 scans"


def test_minus_signs_are_real_ones() -> None:
    assert significant(-1.25e-7) == f"{MINUS}1.25e{MINUS}07"


def printed(code: str, encoding: str) -> bytes:
    script = f"from livesense.cli.output import print_json, take_any_text; take_any_text(); {code}"
    environment = os.environ | {"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    return subprocess.run(
        [sys.executable, "-c", script], capture_output=True, check=True, env=environment
    ).stdout.strip()


def test_an_old_console_gets_plain_signs() -> None:
    assert printed("print('“−1.3 ± 0.4 mΩ …”')", "ascii") == b'"-1.3 +/- 0.4 m\\u03a9 ..."'
    assert printed("print('−1.3 ± 0.4 A')", "utf-8") == "−1.3 ± 0.4 A".encode()


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_json_is_json_in_every_encoding(encoding: str) -> None:
    text = printed("print_json({'name': 'µ − Ω'})", encoding)
    assert json.loads(text.decode(encoding)) == {"name": "µ − Ω"}


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (20000.0, 4, "20000"),
        (1e5, 3, "100000"),
        (65535.0, 4, "65540"),
        (-2.3e-6, 2, "−0.0000023"),
        (0.0, 3, "0"),
    ],
)
def test_numbers_for_people_have_no_exponent(value: float, digits: int, text: str) -> None:
    assert plain(value, digits) == text

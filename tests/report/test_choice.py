"""Which of two chains to take, by hand."""

from __future__ import annotations

from typing import Any

import pytest

from livesense.report.comparison import choice


def pair(first: tuple[float, float], second: tuple[float, float]) -> dict[str, Any]:
    """Range in A (to both sides) and error at a tenth of full load in %, of both."""

    def row(figure: str, a: float | None, b: float | None, unit: str = "A") -> dict[str, Any]:
        return {
            "figure": figure,
            "first": {"value": a, "u": 0.0, "unit": unit},
            "second": {"value": b, "u": 0.0, "unit": unit},
            "at": {"value": 0.85, "unit": "A"},
        }

    return {
        "of": "iu",
        "unit": "A",
        "rows": [
            row("range_low", -first[0], -second[0]),
            row("range_high", first[0], second[0]),
            row("error_small", first[1], second[1], "%"),
        ],
    }


@pytest.mark.parametrize(
    ("first", "second", "peak", "take", "why"),
    [
        # Gain 20 against 60: ±16.5 A and ±5.5 A, of which 12 A have to be read.
        (
            (16.5, 4.0),
            (5.5, 1.5),
            12.0,
            "first",
            "the second one reads up to 5.5 A only, and 12 A have to be read",
        ),
        (
            (16.5, 4.0),
            (5.5, 1.5),
            4.0,
            "second",
            "1.5 % against 4 %; it reads up to 5.5 A, 38 % above the highest",
        ),
        ((16.5, 4.0), (5.5, 1.5), 5.0, "second", "it reads up to 5.5 A, only 10 % above the highest"),
        ((16.5, 4.0), (5.5, 1.5), 20.0, None, "neither range holds 20 A: a smaller gain or shunt is needed"),
        ((16.5, 4.0), (16.5, 4.0), 12.0, None, "neither is better by what is known"),
        ((16.5, 4.0), (5.5, 1.5), None, "second", "at 0.85 A its error is 1.5 % against 4 %"),
    ],
)
def test_a_choice_and_its_reason(first: Any, second: Any, peak: Any, take: Any, why: str) -> None:
    chosen, reason = choice(pair(first, second), peak)
    assert chosen == take
    assert why in reason

"""Speed from the electrical frequency: rpm = 60 × f / pole pairs."""

from __future__ import annotations

from livesense.samples import Estimate


def rpm(electrical_hz: Estimate, pole_pairs: int) -> Estimate:
    """Revolutions per minute, never negative: the direction is the sequence of the phases.

    For an induction machine this is the synchronous speed; its shaft turns slower by the slip.

    Raises
    ------
    ValueError
        When ``pole_pairs`` is less than 1.
    """
    if pole_pairs < 1:
        raise ValueError(f"pole_pairs: expected at least 1, got {pole_pairs}")
    factor = 60.0 / pole_pairs
    return Estimate(
        abs(electrical_hz.value) * factor,
        electrical_hz.u_random * factor,
        electrical_hz.u_systematic * factor,
        "rpm",
    )

"""What was pushed, as it is written: options of the command, fields of the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from livesense.bench import Tolerance
from livesense.bench.quantities import QuantityError, limit_of_error
from livesense.calibrating import reference, reference_value
from livesense.errors import UsageError
from livesense.samples import Estimate
from livesense.walk.session import Pushed
from livesense.walk.steps import Step


@dataclass(frozen=True, slots=True)
class Given:
    """Texts: the current, limits of error of the meter that tells it, its name; volts as ``U-V=0.210 V``."""

    current: str
    reference_error: Sequence[str]
    reference: str = "supply"
    volts: Sequence[str] = ()
    volts_error: str = "0 %"


def read_pushed(given: Given, steps: Sequence[Step]) -> Pushed:
    """Read what was pushed in these steps.

    Raises
    ------
    UsageError
        whose text begins with the option that is wrong: ``--current: expected …``.
    """
    amperes = _positive("--current", given.current, given.current, "A", "a current")
    meter = reference(given.reference, given.reference_error, None, "A")
    return Pushed(amperes, meter, _volts(given, steps))


def _volts(given: Given, steps: Sequence[Step]) -> dict[str, Estimate]:
    try:
        limit, k = limit_of_error(given.volts_error, "")
    except QuantityError as error:
        raise UsageError(
            f'--volts-error: expected a share such as "0.5 %", got {given.volts_error!r}'
        ) from error
    u = Tolerance(limit, k).u
    volts = {}
    for text in given.volts:
        name, equals, value = text.partition("=")
        name = name.strip().upper()
        if not equals or name not in [step.name for step in steps]:
            known = ", ".join(step.name for step in steps)
            raise UsageError(
                f'--volts: expected one of the steps {known} and its volts, "U-V=0.210 V", got {text!r}'
            )
        v = _positive("--volts", text, value, "V", "volts")
        volts[name] = Estimate(v, 0.0, u * v, "V")
    return volts


def _positive(option: str, text: str, value: str, unit: str, what: str) -> float:
    try:
        found = reference_value(value, unit)
    except UsageError as error:
        raise UsageError(f"{option}: {error}") from error
    if found <= 0:
        raise UsageError(f"{option}: expected {what} above zero, got {text!r}")
    return found

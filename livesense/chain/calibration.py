"""What a calibration found of a channel, and the straight line through its points.

A *zero* is the mean code with no current. A *scale* is the straight line through points that a
reference meter told: ``value = per_code * (code - zero_code)``.

The line is that of weighted least squares (JCGM 100:2008, H.3). Around the weighted mean of the codes
its slope and its height are not correlated, which is how they are kept. Three sorts of errors are told
apart: what is each point's own (noise of the codes, the converter's non-linearity, the reference's
repeatability) averages down; errors of the reference meter are the same in all of its points, and do
not (JCGM 100:2008, 5.2 and F.1.2.3).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livesense.samples import FloatArray

SCALE_KEYS = (
    "shunt_tolerance", "gain_error", "ratio_tolerance", "sense_copper", "input_resistance_tolerance",
    "reference_tolerance", "adc.gain_error", "sender_error",
)  # fmt: skip
"""Keys whose errors a measured scale takes away: all that lies between the current and the code."""

ZERO_KEYS = ("offset", "offset_error", "zero_tolerance", "adc.input_current", "reference", "supply")
"""Keys whose errors a measured zero takes away."""

SPAN_U = 10.0
"""Points must lie apart by so many standard uncertainties of their difference to tell a slope."""


@dataclass(frozen=True, slots=True)
class Zero:
    """A measured zero: the mean code with no current, and its standard uncertainty in codes."""

    code: float
    u_codes: float


@dataclass(frozen=True, slots=True)
class MeterError:
    """What one reference meter's error does to a scale.

    ``u_relative`` multiplies the value, ``u_offset`` adds to it, in the channel's unit. Channels that were
    calibrated with the same ``meter`` share both.
    """

    meter: str
    u_relative: float
    u_offset: float


@dataclass(frozen=True, slots=True)
class Scale:
    """A measured line ``value = per_code * (code - zero_code)``.

    ``u_relative`` is the slope's own standard uncertainty; the line turns around the value ``pivot``, whose
    own uncertainty is ``u_pivot`` (both in the channel's unit). The meters' errors stand apart.
    ``temperatures`` are those at which it was measured, °C by the thermometer's channel.
    """

    per_code: float
    zero_code: float
    pivot: float
    u_relative: float
    u_pivot: float
    meters: tuple[MeterError, ...] = ()
    temperatures: tuple[tuple[str, float], ...] = ()

    @property
    def u_scale(self) -> float:
        """Relative standard uncertainty of the slope, the meters' errors with it."""
        return math.hypot(self.u_relative, *(m.u_relative for m in self.meters))


@dataclass(frozen=True, slots=True)
class ChannelCalibration:
    """What is used for one channel.

    A ``zero`` goes before the scale's own. ``stale`` says that the zero in use is old, or was taken at
    another temperature.
    """

    zero: Zero | None = None
    scale: Scale | None = None
    stale: bool = False


Calibration = Mapping[str, ChannelCalibration]
"""By channel name."""


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a calibration.

    Attributes
    ----------
    value
        What the reference says, in the channel's unit.
    code, u_code
        Mean code, and its standard uncertainty in codes.
    meter
        Which meter, or which of its ranges, said so; empty for a zero, which needs none.
    u_relative, u_absolute
        Standard uncertainties of the meter: relative, and in the channel's unit. One and the same error in
        all points of this ``meter``.
    u_own
        Of the reference, another one in each point: its repeatability, in the channel's unit.
    """

    value: float
    code: float
    u_code: float
    meter: str = ""
    u_relative: float = 0.0
    u_absolute: float = 0.0
    u_own: float = 0.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted line; ``residuals`` are the points' values less the line's, in the channel's unit.

    ``scatter`` is by how much the points scatter more than their own uncertainties allow; 1 where they
    do not.
    """

    scale: Scale
    residuals: tuple[float, ...]
    scatter: float

    @property
    def linearity(self) -> float:
        """Largest residual in magnitude, in the channel's unit."""
        return max(map(abs, self.residuals))


def fit_scale(points: Sequence[Point], *, u_bow_codes: float = 0.0) -> Fit:
    """Fit a straight line to calibration points.

    Parameters
    ----------
    points
        At least two, at different codes.
    u_bow_codes
        Standard uncertainty by the converter's non-linearity, in codes: another error at each code.

    Raises
    ------
    ValueError
        when there are fewer than two points, or when they do not lie apart by more than they are uncertain.
    """
    if len(points) < 2:
        raise ValueError(
            f"expected at least two points, or one and a zero, got {len(points)}; "
            "add a point at another current"
        )
    value = np.array([p.value for p in points])
    code = np.array([p.code for p in points])
    slope = _plain_slope(value, code)
    own = np.array([math.hypot(p.u_code, u_bow_codes) * abs(slope) for p in points])
    own = np.hypot(own, [p.u_own for p in points])
    _check_span(points, value, own)
    weight = _weights(own)
    centre = float(np.sum(weight * code) / np.sum(weight))
    away = code - centre
    squares = float(np.sum(weight * away**2))

    def line(heights: FloatArray) -> tuple[float, float]:
        """Height at the centre and slope of the line through such values."""
        height = float(np.sum(weight * heights) / np.sum(weight))
        return height, float(np.sum(weight * away * heights) / squares)

    pivot, per_code = line(value)
    if per_code == 0:
        raise ValueError("the line through the points is flat: the codes do not follow the reference")
    residuals = value - pivot - per_code * away
    scatter = _scatter(residuals, own)
    # The line is a linear function of the values, so the points' own variances carry over as its squares do.
    u_pivot = float(np.sqrt(np.sum((weight * own) ** 2)) / np.sum(weight)) * scatter
    u_slope = float(np.sqrt(np.sum((weight * away * own) ** 2)) / squares) * scatter
    zero_code = centre - pivot / per_code
    scale = Scale(
        per_code=per_code,
        zero_code=zero_code,
        pivot=pivot,
        u_relative=u_slope / abs(per_code),
        u_pivot=u_pivot,
        meters=tuple(_meter_errors(points, line, per_code, zero_code - centre)),
    )
    return Fit(scale, tuple(map(float, residuals)), scatter)


def _plain_slope(value: FloatArray, code: FloatArray) -> float:
    away = code - code.mean()
    squares = float(np.sum(away**2))
    if squares == 0:
        raise ValueError("all points have the same code: the channel does not follow the reference")
    return float(np.sum(away * value) / squares)


def _check_span(points: Sequence[Point], value: FloatArray, own: FloatArray) -> None:
    low, high = int(np.argmin(value)), int(np.argmax(value))
    span = float(value[high] - value[low])
    u_span = math.hypot(own[low], own[high])
    if span <= SPAN_U * u_span:
        raise ValueError(
            f"the points span {span:.4g}, which is not more than {SPAN_U:g} times the uncertainty of that "
            f"({u_span:.2g}): add a point at a larger current"
        )


def _weights(own: FloatArray) -> FloatArray:
    """Weigh by the points' own variances; none counts as better than a thousandth of the worst."""
    worst = float(own.max())
    if worst == 0:
        return np.ones_like(own)
    return np.asarray(1 / np.maximum(own, 1e-3 * worst) ** 2)


def _scatter(residuals: FloatArray, own: FloatArray) -> float:
    """Root of chi-square per degree of freedom where that is above 1: then something else varies too."""
    freedom = len(residuals) - 2
    if freedom < 1 or not np.all(own > 0):
        return 1.0
    return max(1.0, math.sqrt(float(np.sum((residuals / own) ** 2)) / freedom))


def _meter_errors(
    points: Sequence[Point],
    line: Callable[[FloatArray], tuple[float, float]],
    per_code: float,
    to_zero: float,
) -> Iterable[MeterError]:
    """Carry each meter's error through the fit: what it does to the slope, and at the zero."""
    for meter in dict.fromkeys(p.meter for p in points if p.meter):
        effects = [
            np.array([p.u_relative * p.value if p.meter == meter else 0.0 for p in points]),
            np.array([p.u_absolute if p.meter == meter else 0.0 for p in points]),
        ]
        lines = [line(effect) for effect in effects]
        yield MeterError(
            meter,
            math.hypot(*(slope / per_code for _, slope in lines)),
            math.hypot(*(height + slope * to_zero for height, slope in lines)),
        )

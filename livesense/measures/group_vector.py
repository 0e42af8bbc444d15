"""The three currents as one vector: its length, what ripples on it, and the ellipse that it draws."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from livesense.measures.channel_figures import ChannelInput, Line
from livesense.measures.group_phases import preferred
from livesense.measures.sine_fit import NoLine
from livesense.measures.three_phase import PHASES, components
from livesense.measures.vectors import locus, own_frame
from livesense.samples import Estimate


@dataclass(frozen=True, slots=True)
class Vector:
    """The current vector (Clarke: a length is a peak) in the frame of its fundamental."""

    length: Estimate | None = None
    quadrature_ripple_rms: Estimate | None = None
    direct_ripple_rms: Estimate | None = None
    locus_major: Estimate | None = None
    locus_minor: Estimate | None = None
    locus_tilt_deg: Estimate | None = None
    withheld: dict[str, str] = field(default_factory=dict)


def group_vector(
    channels: Mapping[str, ChannelInput], line: Line | NoLine | None, rate_hz: float
) -> Vector | None:
    """Look at the preferred currents as a vector; None where a phase has none."""
    names = preferred(channels)
    if len(names) < 3:
        return None
    chosen = [channels[names[p]] for p in PHASES]
    reason = next((c.too_clipped for c in chosen if c.too_clipped is not None), None)
    if not isinstance(line, Line):
        reason = "there is no shared line" if line is None else line.reason
    if reason is not None or not isinstance(line, Line):
        keys = ("length", "quadrature_ripple_rms", "direct_ripple_rms", "locus_major", "locus_minor")
        return Vector(withheld=dict.fromkeys((*keys, "locus_tilt_deg"), str(reason)))
    firsts = [line.fundamental(names[p], channels[names[p]]) for p in PHASES]
    _, positive, negative = components(*(f.rms for f in firsts))
    size = math.sqrt(2) * max(abs(positive), abs(negative))
    turning = line.fit.turning(rate_hz)
    # As sampled: corrections for what lies before the converter are no part of the scans.
    first_scan = [line.fit.phasor_rms[line.columns[names[p]], 0] for p in PHASES]
    _, forward, backward = components(*(math.sqrt(2) * complex(z) for z in first_scan))
    if abs(positive) < abs(negative):
        turning, forward = turning.conj(), backward.conjugate()
    u, v, w = (c.values for c in chosen)
    frame = own_frame(u, v, w, turning, forward * complex(turning[0]).conjugate())
    scale = max(c.u_scale for c in chosen)
    u_length = math.sqrt(2 * sum(f.u_component**2 for f in firsts)) / 3
    # An axis is sum or difference of both sequences.
    random = math.sqrt(2) * u_length
    unit = chosen[0].unit

    def ripple(value: float) -> Estimate:
        return Estimate(value, frame.u_ripple_square / (2 * value) if value > 0 else 0.0, value * scale, unit)

    drawn = locus(*(f.rms for f in firsts))
    # How far an axis may be off: as far as the differences between the phases' scales allow.
    own = math.sqrt(sum((abs(f.rms) * f.u_scale) ** 2 + f.u_across**2 for f in firsts)) * math.sqrt(2) / 3
    axis_u = math.hypot(drawn.major * max(c.u_common for c in chosen), own)
    apart = drawn.major - drawn.minor
    withheld: dict[str, str] = {}
    tilt: Estimate | None = None
    if apart > 4 * math.hypot(random, own):
        tilt = Estimate(
            math.degrees(drawn.tilt_rad), math.degrees(random / apart), math.degrees(own / apart), "°"
        )
    else:
        withheld["locus_tilt_deg"] = "within its uncertainty the path is a circle"
    return Vector(
        Estimate(size, u_length, size * scale, unit),
        ripple(frame.quadrature_ripple),
        ripple(frame.direct_ripple),
        Estimate(drawn.major, random, axis_u, unit),
        Estimate(drawn.minor, random, axis_u, unit),
        tilt,
        withheld,
    )

"""Three phasors into sequence, symmetrical components, unbalance and angles.

Symmetrical components (Fortescue 1918), with ``a = exp(i*2*pi/3)``::

    zero     = (U + V + W) / 3
    positive = (U + a*V + a²*W) / 3
    negative = (U + a²*V + a*W) / 3

``positive`` is the component whose phases follow in the order U, V, W. Unbalance is 100 % times the
smaller over the larger of positive and negative, so that reversed rotation does not read 100 %.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from livesense.measures.near_zero import u_of_magnitude
from livesense.samples import Estimate

PHASES = ("U", "V", "W")
ANGLE_LIMIT_DEG = 3.0
"""An angle whose expanded uncertainty (k = 2) is above this is withheld."""

ALIKE = 0.9
"""Above this ratio of the smaller to the larger of positive and negative there is no sequence."""

_A = cmath.exp(2j * cmath.pi / 3)


@dataclass(frozen=True, slots=True)
class PhasePhasor:
    """A fundamental: complex rms, uncertainty of one component, and of its scale.

    ``u_scale`` is what this channel's scale has for itself, ``u_common`` what it shares with the
    others (the ADC reference); both relative. Unknown shares belong into ``u_scale``. ``u_across`` is what
    systematic errors do at right angles to it, as rms: they turn it.
    """

    rms: complex
    u_component: float = 0.0
    u_scale: float = 0.0
    u_common: float = 0.0
    u_across: float = 0.0


@dataclass(frozen=True, slots=True)
class ThreePhase:
    """What three phasors say; a figure that is withheld is None, with the reason beside."""

    sequence: str | None
    angles_deg: dict[str, Estimate | None]
    positive_rms: Estimate | None
    negative_rms: Estimate | None
    zero_rms: Estimate | None
    unbalance_percent: Estimate | None
    max_deviation_percent: Estimate | None = None
    residual_rms: Estimate | None = None
    withheld: dict[str, str] = field(default_factory=dict)


def components(u: complex, v: complex, w: complex) -> tuple[complex, complex, complex]:
    """Zero, positive and negative component of three phasors."""
    return (u + v + w) / 3, (u + _A * v + _A * _A * w) / 3, (u + _A * _A * v + _A * w) / 3


def angle_deg(phase: PhasePhasor, reference: PhasePhasor) -> tuple[Estimate | None, str | None]:
    """Angle of one fundamental after another, -180 to 180, negative when later; or why it is withheld."""
    if phase.rms == 0 or reference.rms == 0:
        return None, "there is no fundamental"
    both = (phase, reference)
    random = math.degrees(math.hypot(*(p.u_component / abs(p.rms) for p in both)))
    systematic = math.degrees(math.hypot(*(p.u_across / abs(p.rms) for p in both)))
    u = math.hypot(random, systematic)
    if not 2 * u <= ANGLE_LIMIT_DEG:
        return (
            None,
            f"the angle is known to ± {_short(2 * u)}° only (k = 2); the limit is {ANGLE_LIMIT_DEG:g}°",
        )
    value = math.degrees(cmath.phase(phase.rms / reference.rms))
    return Estimate(value, random, systematic, "°"), None


def _short(degrees: float) -> str:
    return f"{degrees:.2g}" if degrees < 180 else "180"


def three_phase(phasors: Mapping[str, PhasePhasor], unit: str = "A") -> ThreePhase:
    """Sequence, components, unbalance and angles of the phases U, V and W.

    Scale errors are taken as independent for differences (negative, zero, unbalance) and, for the
    larger component, as adding up: the careful reading of each, since a bench file does not tell
    how tolerances hang together.

    Raises
    ------
    ValueError
        When a phase is missing.
    """
    missing = [p for p in PHASES if p not in phasors]
    if missing:
        raise ValueError(f"phasors: expected U, V and W, missing {', '.join(missing)}")
    three = [phasors[p] for p in PHASES]
    zero, positive, negative = components(*(p.rms for p in three))
    random = math.sqrt(sum(p.u_component**2 for p in three)) / 3
    own = math.sqrt(sum((abs(p.rms) * p.u_scale) ** 2 + p.u_across**2 for p in three)) / 3
    common = max(p.u_common for p in three)
    # An error of one phase is a phasor along or across that phase: half its square per component.
    u_small = math.hypot(random, own / math.sqrt(2))
    along = max(math.hypot(p.u_scale, p.u_common) for p in three)
    withheld: dict[str, str] = {}
    larger, smaller = max(abs(positive), abs(negative)), min(abs(positive), abs(negative))

    def component(z: complex) -> Estimate:
        size = abs(z)
        main = size == larger
        u_systematic = size * along if main else _beyond(size, u_small, random, size * common)
        return Estimate(size, u_of_magnitude(size, random), u_systematic, unit)

    sequence: str | None = None
    unbalance: Estimate | None = None
    if larger <= 4 * random or larger == 0:
        withheld["sequence"] = withheld["unbalance_percent"] = (
            "the phases carry no rotating current to be seen"
        )
    else:
        ratio = smaller / larger
        u_ratio = u_of_magnitude(smaller, u_small) / larger
        u_ratio_random = u_of_magnitude(smaller, random) / larger
        u_larger = ratio * math.hypot(random, own) / larger
        unbalance = Estimate(
            100 * ratio,
            100 * math.hypot(u_ratio_random, ratio * random / larger),
            100 * math.sqrt(max(u_ratio**2 - u_ratio_random**2, 0.0) + u_larger**2),
            "%",
        )
        if ratio > ALIKE or ratio + 2 * math.hypot(u_ratio, u_larger) > 1:
            withheld["sequence"] = "positive and negative sequence are alike"
        else:
            sequence = "UVW" if abs(positive) > abs(negative) else "UWV"
    deviation = None if unbalance is None else max_deviation(three)
    if deviation is None:
        withheld["max_deviation_percent"] = "the phases carry no rotating current to be seen"
    angles: dict[str, Estimate | None] = {}
    for name, phase in zip(PHASES, three, strict=True):
        angles[name], reason = angle_deg(phase, three[0])
        if name == "U" and angles[name] is not None:
            angles[name] = Estimate(0.0, unit="°")
        if reason is not None:
            withheld[f"angles_deg.{name}"] = reason
    return ThreePhase(
        sequence,
        angles,
        component(positive),
        component(negative),
        component(zero),
        unbalance,
        deviation,
        withheld=withheld,
    )


def max_deviation(three: Sequence[PhasePhasor]) -> Estimate:
    """Largest deviation of a magnitude from the mean of the three, in % of it (NEMA MG-1, from memory).

    Angles are not in it, so that it may be zero where negative sequence is not. Of independent relative
    errors u of the three, ``sqrt(2/3) u`` is what a deviation has; near zero any error makes it larger.
    """
    sizes = [abs(p.rms) for p in three]
    mean = sum(sizes) / 3
    value = max(abs(size - mean) for size in sizes) / mean
    random = max(p.u_component for p in three) / mean * math.sqrt(2 / 3)
    own = max(p.u_scale for p in three) * math.sqrt(2 / 3)
    by_random = u_of_magnitude(value, random)
    whole = u_of_magnitude(value, math.hypot(random, own))
    return Estimate(100 * value, 100 * by_random, 100 * math.sqrt(max(whole**2 - by_random**2, 0.0)), "%")


def _beyond(size: float, u_all: float, u_random: float, u_common: float) -> float:
    """Systematic part of a small magnitude: what the whole interval has beyond the random one."""
    whole, random = u_of_magnitude(size, u_all), u_of_magnitude(size, u_random)
    return math.sqrt(max(whole**2 - random**2, 0.0) + u_common**2)

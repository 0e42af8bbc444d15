"""What the bench file alone shows, before there is any data: ranges, references, filters, the link."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from livesense.bench import GroupSettings, Sensor
from livesense.checks.evidence import Evidence, Sensed
from livesense.checks.findings import Finding, Kind, fault, note, warning
from livesense.checks.fixes import GAINS
from livesense.checks.looks import Look, Motion
from livesense.checks.words import amount
from livesense.linkbudget import LEFT_OVER, Stream, budget, serial_link
from livesense.samples import GroupInfo

TIGHT = 0.9
WIDE = 0.1
"""Parts of the range that √2 × rated current should lie between."""

ANGLE_LIMIT_RAD = math.radians(3.0)
"""An angle that is known worse than this (k = 2) is withheld by `measure`."""

_UNSTATED_BANDWIDTH_U = 0.2 / math.sqrt(3)


def ranges(evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]) -> list[Finding]:
    """Hold the rated current and the measured peak against what each channel reads."""
    found = []
    rated = evidence.rated_peak
    for c in evidence.channels.values():
        if not c.measured or not math.isfinite(c.full):
            continue
        if c.is_phase_current and rated is not None:
            finding = _rated(c, rated)
            if finding is not None:
                found.append(finding)
                if finding.alarm:
                    continue
        if c.name not in left_out and c.chain.quantity in ("current", "voltage"):
            found += _peak(c, looks)
    return found


def _rated(c: Sensed, rated: float) -> Finding | None:
    used = rated / c.reach
    fits = _gain_for(c, rated)
    share = (
        f"√2 × the rated current is {amount(rated, c)}, {100 * used:.3g} % of the {amount(c.reach, c)} that "
        f"{c.name} reads"
    )
    if used > 1:
        return fault(
            Kind.RANGE_SMALL,
            c.name,
            f"{share}: it clips at rated load.",
            f"Fit a smaller gain or shunt{fits}.",
            used=used,
        )
    if used > TIGHT:
        return warning(
            Kind.RANGE_TIGHT,
            c.name,
            f"{share}: overloads clip.",
            f"Fit a smaller gain or shunt{fits}.",
            used=used,
        )
    if used < WIDE:
        return note(
            Kind.RANGE_WIDE,
            c.name,
            f"{share}: rounding and offset weigh more than they need.",
            f"A larger gain or shunt resolves more{fits}.",
            used=used,
        )
    return None


def _gain_for(c: Sensed, rated: float) -> str:
    """Name a gain of amplifiers at which the rated current takes up to 80 % of the range."""
    gain = c.settings.gain
    if c.settings.sensor is not Sensor.SHUNT or not gain:
        return ""
    fitting = [g for g in GAINS if g != gain and rated / c.reach * g / gain <= 0.8]
    if not fitting or rated / c.reach * fitting[-1] / gain < 0.2:
        return ""
    best = fitting[-1]
    reads = amount(c.reach * gain / best, c)
    return f" (a gain of {best:g} reads about ± {reads}; then state gain = {best:g})"


def _peak(c: Sensed, looks: Sequence[Look]) -> list[Finding]:
    peak, which = 0.0, 0.0
    for one in looks:
        if c.name not in one.seen or one.at_end(c.name).any():
            continue
        values = one.values(c.name)
        # The noise of one value should not decide.
        low, high = np.quantile(values, [0.002, 0.998])
        side = max(
            high / c.chain.high if c.chain.high > 0 else 0.0, low / c.chain.low if c.chain.low < 0 else 0.0
        )
        if side > peak:
            peak, which = float(side), float(high if high > -low else low)
    if peak <= TIGHT:
        return []
    return [
        warning(
            Kind.RANGE_TIGHT,
            c.name,
            f"{c.name} reaches {amount(which, c)}, {100 * peak:.3g} % of what it reads to that side: a "
            f"little more clips.",
            "Fit a smaller gain, shunt or divider, then state it in the bench file.",
            used=peak,
        )
    ]


def declared_references(evidence: Evidence) -> list[Finding]:
    """Find phase currents whose amplifier is declared to read one direction only."""
    found = []
    for c in evidence.channels.values():
        if c.is_phase_current and c.settings.sensor is Sensor.SHUNT and c.one_sided:
            where = c.settings.reference
            found.append(
                warning(
                    Kind.REFERENCE_SETUP,
                    c.name,
                    f'{c.name} has reference = "{where}" and reads {amount(c.chain.low, c)} to '
                    f"{amount(c.chain.high, c)}: a phase "
                    "current goes both ways, and half of each wave is not seen.",
                    "Tie the amplifier's reference pins to half the supply, then state "
                    'reference = "mid-supply".',
                )
            )
    return found


def bandwidths(evidence: Evidence, looks: Sequence[Look]) -> list[Finding]:
    """Find stated low-passes that are too low for the line that was seen, or for the rules that watch."""
    found = []
    highest = max((one.frequency_hz for one in looks if one.motion is Motion.STEADY), default=0.0)
    for c in evidence.channels.values():
        corner = c.chain.bandwidth_hz
        if not c.measured or not corner or not c.is_phase_current:
            continue
        r = highest / corner
        stated = c.settings.bandwidth_tolerance
        u = (stated.u if stated is not None else _UNSTATED_BANDWIDTH_U) * r / (1 + r * r)
        if r and 2 * u > ANGLE_LIMIT_RAD:
            found.append(
                warning(
                    Kind.BANDWIDTH,
                    c.name,
                    f"{c.name} is filtered at {corner:.4g} Hz and the currents turn at {highest:.4g} Hz: "
                    f"it lags by "
                    f"{math.degrees(math.atan(r)):.3g}°, known to ± {math.degrees(2 * u):.2g}° only.",
                    "Fit a faster filter, or state bandwidth_tolerance where it is known better.",
                    used=r,
                )
            )
            continue
        found += _against_rules(evidence, c, corner)
    return found


def _against_rules(evidence: Evidence, c: Sensed, corner: float) -> list[Finding]:
    settle_s = 1 / (2 * math.pi * corner)
    for number, rule in enumerate(evidence.bench.watches, start=1):
        if c.name in rule.channels and 0 < rule.hold_s < settle_s:
            reached = 100 * (1 - math.exp(-rule.hold_s / settle_s))
            return [
                warning(
                    Kind.BANDWIDTH,
                    c.name,
                    f"{c.name} is filtered at {corner:.4g} Hz: within the {rule.hold_s * 1e6:.4g} µs of "
                    f"watch {number} it shows "
                    f"{reached:.0f} % of a step.",
                    "Fit a faster filter, or take a longer hold.",
                    reached_percent=reached,
                )
            ]
    return []


def link_load(evidence: Evidence) -> list[Finding]:
    """Hold what the groups send against what the serial line carries."""
    bench = evidence.bench
    address = (bench.link.port or "").lower()
    if not address or address == "-" or address.startswith(("file:", "socket://", "rfc2217://")):
        return []
    if evidence.link is not None and not evidence.link.serial:
        return []
    declared: Sequence[GroupSettings | GroupInfo] = evidence.groups or bench.groups
    needed = 0.0
    for number, group in enumerate(declared):
        stored = sum(c.measured and c.chain.group == number for c in evidence.channels.values())
        count = len(group.channels) or stored
        if not group.rate_hz or not count:
            continue
        code = str(group.code or "u16")
        scans = bench.link.record.scans if bench.link.record is not None else 0
        stream = Stream(
            bench.link.wire,
            count,
            group.rate_hz,
            code if code in ("u16", "i16", "i32", "u12") else "u16",
            bench.adc.bits or 12,
            scans,
        )
        try:
            needed += budget(stream, serial_link(bench.link.baud)).bytes_per_s
        except ValueError:
            continue
    used = needed / (bench.link.baud / 10)
    need = f"{needed / 1000:.4g} kB/s, {100 * used:.3g} % of what {bench.link.baud} Bd carries"
    text = f"The scans need up to {need}"
    fix = (
        "Raise baud (here and in the firmware), lower rate, or send fewer channels; `livesense init --link` "
        "reckons it."
    )
    if used > 1:
        return [
            warning(
                Kind.LINK, None, f"{text}: scans will be lost (a USB link may ignore baud).", fix, used=used
            )
        ]
    if used > 1 - LEFT_OVER:
        return [note(Kind.LINK, None, f"{text}: little is left over.", fix, used=used)]
    return []

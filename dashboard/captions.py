"""What a picture or a table that leaves the page says of itself: chain, rate, speed, uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dashboard.channels import picture_channels
from dashboard.digits import decimals_for, fixed, significant
from livesense.wording import COVERAGE_FACTOR

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis


def caption(analysis: RunAnalysis, measured: Mapping[str, Any]) -> str:
    """Say a line such as "5 mΩ, ×20, 20 kS/s, 3120 rpm, ± 0.9 %".

    Shunts and gains are those of the phase currents, several where they differ. The last is the largest
    expanded relative uncertainty (k = 2) of their rms.
    """
    drawn = [c for c in picture_channels(analysis.channels) if c.quantity == "current"]
    names = {c.name for c in drawn} | {source for c in drawn for source in c.source}
    settings = [c for c in analysis.bench.channels if c.name in names]
    parts = [
        _each([c.shunt_ohm for c in settings], resistance),
        _each([c.gain for c in settings], lambda gain: f"×{significant(gain, 4)}"),
    ]
    if drawn and (rate_hz := analysis.run.groups[drawn[0].group].rate_hz):
        parts.append(scan_rate(rate_hz))
    speed = (measured.get("speed") or {}).get("rpm") or {}
    if speed.get("value") is not None:
        parts.append(f"{fixed(float(speed['value']), 0)} rpm")
    if (percent := _spread_percent(measured, [c.name for c in drawn])) is not None:
        parts.append(f"± {fixed(percent, max(0, decimals_for(percent)))} %")
    return ", ".join(part for part in parts if part)


def _each(values: Sequence[float | None], write: Any) -> str:
    known = list(dict.fromkeys(value for value in values if value is not None))
    return "/".join(write(value) for value in known)


def resistance(ohm: float) -> str:
    """Write a shunt's resistance with the prefix that engineers use."""
    for factor, unit in ((1.0, "Ω"), (1e3, "mΩ"), (1e6, "µΩ")):
        if ohm * factor >= 0.9995:
            return f"{significant(ohm * factor, 4)} {unit}"
    return f"{significant(ohm, 4)} Ω"


def scan_rate(rate_hz: float) -> str:
    """Write a scan rate, samples of each channel a second."""
    return f"{significant(rate_hz / 1e3, 4)} kS/s" if rate_hz >= 1e3 else f"{significant(rate_hz, 4)} S/s"


def _spread_percent(measured: Mapping[str, Any], names: Sequence[str]) -> float | None:
    shares = []
    for name in names:
        rms = ((measured.get("channels") or {}).get(name) or {}).get("rms") or {}
        value, u = rms.get("value"), rms.get("u")
        if not value or not u:
            return None
        shares.append(100 * COVERAGE_FACTOR * float(u) / abs(float(value)))
    return max(shares, default=None)

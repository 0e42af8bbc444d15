"""How events are put in words."""

from __future__ import annotations

from livesense.watch.excess import Peak


def figure(value: float) -> str:
    """Write a value with four digits."""
    return f"{value:.4g}".replace("-", "−")


def duration(seconds: float) -> str:
    """Write a time in a fitting unit."""
    for scale, unit in ((1.0, "s"), (1e-3, "ms")):
        if seconds >= scale:
            return f"{seconds / scale:.4g} {unit}"
    return f"{seconds * 1e6:.4g} µs"


def peak_text(peak: Peak, unit: str) -> str:
    """Write a peak, which is more where it was clipped."""
    return f"{figure(peak.value)} {unit}" + (" or more" if peak.clipped else "")


def reservations(peak: Peak, lost: int, lost_unknown: bool, cut_short: bool) -> str:
    """Say what keeps an event from being known in full, each after a semicolon."""
    text = ""
    if peak.clipped:
        text += "; clipped at the end of the range"
    if lost:
        text += f"; {lost} {'scan was' if lost == 1 else 'scans were'} lost inside"
    if lost_unknown:
        text += f"; {'further' if lost else 'some'} scans that nobody could count were lost inside"
    if cut_short:
        text += "; cut short: the recording ended or the device restarted"
    return text

"""The line between board and computer: what was lost, and how fast the board really scans."""

from __future__ import annotations

from dataclasses import replace

from livesense.checks.evidence import Evidence, LinkFacts, Rate
from livesense.checks.findings import Edit, Finding, Kind, Severity, fault, note, warning
from livesense.wording import counted, significant

RATE_OFF = 0.05
"""Clocks of microcontrollers without a crystal are off by some percent; nothing is off by more (common
practice, no source)."""

LOST_SHARE = 1e-3
"""From this share of scans a loss is an alarm: it shortens the stretches that can be measured."""

ASTRAY_SHARE = 0.01
"""With a larger share of codes beyond their bits, it is the bits that are wrong."""

DAMAGE = ("crc", "stuffing", "length", "bad_line", "bad_record")
RANGE = "code_range"


def link(evidence: Evidence) -> list[Finding]:
    """Tell what the line lost or damaged."""
    facts = evidence.link
    if facts is None or not facts.scans:
        return []
    found: list[Finding] = []
    damaged = sum(facts.faults.get(kind, 0) for kind in DAMAGE)
    astray = facts.faults.get(RANGE, 0) if _by_damage(facts) else 0
    lost = facts.lost / (facts.lost + facts.scans)
    parts = []
    if facts.lost:
        parts.append(f"{counted(facts.lost, 'scan')} of {facts.lost + facts.scans} lost ({100 * lost:.2g} %)")
    if damaged:
        several = {k: facts.faults[k] for k in DAMAGE if facts.faults.get(k)}
        parts.append(f"{counted(damaged, 'packet or line', 'packets or lines')} damaged ({_listed(several)})")
    if astray:
        parts.append(f"{counted(astray, 'code')} beyond the bits, damaged where the wire has no check")
    if facts.restarts:
        parts.append(counted(facts.restarts, "restart") + " of the board")
    if facts.outages:
        parts.append(f"the port away {counted(facts.outages, 'time')}")
    if parts:
        text = f"The line is not whole: {', '.join(parts)}."
        fix = (
            "Lower rate or raise baud if the line is full (`livesense init --link`); check cable, ground "
            "and shield, and that "
            "nothing else reads the port."
        )
        serious = lost > LOST_SHARE or damaged > LOST_SHARE * facts.scans or facts.restarts or facts.outages
        make = warning if serious else note
        found.append(make(Kind.LINK, None, text, fix, lost_scans=facts.lost, damaged=damaged))
    if not facts.counted:
        found.append(
            note(
                Kind.LINK,
                None,
                "The wire has no counter: scans that are lost cannot be counted.",
                "Send a column n that counts scans.",
            )
        )
    return found


def _by_damage(facts: LinkFacts) -> bool:
    """Whether codes beyond their bits are few, and come of a wire that is seen to be damaged."""
    beyond = facts.faults.get(RANGE, 0)
    return any(facts.faults.get(kind) for kind in DAMAGE) and beyond < ASTRAY_SHARE * facts.scans


def _listed(several: dict[str, int]) -> str:
    return ", ".join(f"{kind} {count}" for kind, count in several.items())


def wrong_bits(evidence: Evidence) -> list[Finding]:
    """Tell a width of codes that is not the device's: then nothing else can be told by values.

    The device says how wide its codes are, and the codes themselves say when they are wider than stated.
    """
    stated = evidence.bench.adc.bits
    if stated is None:
        return []
    for number, group in enumerate(evidence.groups):
        here = [c for c in evidence.channels.values() if c.chain.group == number and c.lsb_v]
        if group.bits is None or group.bits == stated or not here or all(c.settings.bits for c in here):
            continue
        highest = _highest(evidence)
        if highest >= 1 << group.bits:
            # The device does not know its own converter either.
            continue
        factor = 2.0 ** (group.bits - stated)
        return [
            fault(
                Kind.SCALE,
                None,
                f"The device says that its codes have {group.bits} bits, the bench file {stated}: every "
                f"value is then {factor:g} times what it should be, and its zero is off. Nothing that values "
                "tell is judged until this is mended.",
                Edit("adc", "bits", group.bits),
                factor=factor,
            )
        ]
    return [replace(f, severity=Severity.FAULT) for f in code_range(evidence) if f.edit is not None]


def _highest(evidence: Evidence) -> int:
    highest = 0
    for one in evidence.stretches:
        if one.codes.dtype.kind in "iu" and one.codes.size:
            highest = max(highest, int(one.codes.max()))
    return highest


def code_range(evidence: Evidence) -> list[Finding]:
    """Tell codes that are wider than stated: then every scale is wrong."""
    facts = evidence.link
    beyond = facts.faults.get(RANGE, 0) if facts is not None else 0
    if facts is None or not beyond or _by_damage(facts):
        return []
    highest = _highest(evidence)
    bits = evidence.bench.adc.bits or 0
    text = f"{counted(beyond, 'code')} lie beyond what {bits} bits hold"
    if highest < (1 << bits):
        return [
            warning(
                Kind.SCALE,
                None,
                f"{text}: width or sign of the codes is not as stated.",
                "Check bits and signed in [adc].",
            )
        ]
    needed = max(highest.bit_length(), bits + 1)
    likely = next((b for b in (10, 12, 14, 16, 18, 20, 24) if b >= needed), needed)
    return [
        warning(
            Kind.SCALE,
            None,
            f"{text}: the highest is {highest}, so that every value is wrong by the same factor.",
            Edit("adc", "bits", likely),
            highest=highest,
        )
    ]


def rates(evidence: Evidence) -> list[Finding]:
    """Compare the scan rate by a clock with the stated one."""
    return [finding for rate in evidence.rates if (finding := _rate(evidence, rate)) is not None]


def _rate(evidence: Evidence, rate: Rate) -> Finding | None:
    if rate.seen is None or not rate.nominal_hz or rate.seen.value <= 0:
        return None
    off = rate.seen.value / rate.nominal_hz - 1
    if abs(off) <= RATE_OFF + 3 * rate.seen.u / rate.nominal_hz:
        return None
    declared = rate.group < len(evidence.bench.groups) and evidence.bench.groups[rate.group].rate_hz
    text = (
        f"Group {rate.group} scans {significant(rate.seen.value, 5)} times a second by the clock and "
        f"{significant(rate.nominal_hz, 5)} by the {'bench file' if declared else 'description'} "
        f"({100 * off:+.3g} %): frequency, "
        "speed, energy and holds are wrong by as much."
    )
    if declared:
        return warning(
            Kind.RATE,
            None,
            text,
            Edit("group", "rate", f"{_round(rate.seen.value)} Hz", number=rate.group),
            seen_hz=rate.seen.value,
        )
    return warning(
        Kind.RATE, None, text, "Correct rate_hz in the firmware's description.", seen_hz=rate.seen.value
    )


def _round(rate_hz: float) -> str:
    """Write the rate in three digits where that is what it is, else in five."""
    short = float(f"{rate_hz:.2g}")
    return f"{short:g}" if abs(short / rate_hz - 1) < 0.005 else f"{rate_hz:.5g}"

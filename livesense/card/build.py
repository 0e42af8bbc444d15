"""From a bench to the content of its card: blocks of channels that are alike, cautions, lines for hands."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from livesense import __version__
from livesense.bench import Bench, Sensor
from livesense.bench.tables import file_name
from livesense.card.content import BLANK, Block, Card, Row
from livesense.card.other_blocks import other_block
from livesense.card.points import Numbers
from livesense.card.shunt_block import shunt_block
from livesense.card.words import sampled_row

CAUTIONS = (
    (
        "Prove dead.",
        "A DC bus stays charged after power-off, and a healthy reading proves no circuit dead: isolate, "
        "wait, check with a rated meter before touching.",
    ),
    (
        "Not a protective device.",
        "What is watched is evidence. Keep fuses, hardware trips and a hardware stop in reach.",
    ),
    (
        "Earth.",
        "A USB shield or a probe's clip can tie the drive's 0 V to earth: rated isolators and differential "
        "probes; never lift the protective earth.",
    ),
    (
        "Common mode.",
        "The amplifier must bear what both inputs carry, and the switching spikes, with margin (common "
        "practice, no source).",
    ),
    ("Rotation, heat.", "Guard what turns; it may start by itself. Shunts, motors, heatsinks burn."),
    ("Opening a port", "can reset the board: power stage off first. Check 0 A with the stage off as well."),
    ("ADC pins", "bear little beyond their supply: see the data sheet, also for when a supply is off."),
    ("Local codes", "go before this card. Leave live work to people licensed for it."),
)
"""Of docs/safety.md, in the words of a card."""

DIGEST_DIGITS = 12


def card_of(bench: Bench, found: Sequence[Numbers]) -> Card:
    """Make the card of a bench from its numbers."""
    return Card(
        title=bench.name,
        origin=f"Bench card of {file_name(bench.path)}, SHA-256 {digest(bench)[:DIGEST_DIGITS]}…, "
        f"by livesense {__version__}",
        guide="Nominal values as the file states them, without calibrations. Small print: where each comes "
        f"from, with the file's keys. {BLANK}: not in the file, fill in.",
        blocks=tuple(_joined(bench, found)),
        cautions=CAUTIONS,
        signed=f"Wired by {BLANK}{BLANK}   Checked at 0 A by {BLANK}{BLANK}   Date {BLANK}",
    )


def digest(bench: Bench) -> str:
    """SHA-256 of the bench file's text: tells whether a card at the bench is of this file."""
    return hashlib.sha256(bench.text.encode("utf-8")).hexdigest()


def _joined(bench: Bench, found: Sequence[Numbers]) -> list[Block]:
    """Join channels that are alike but for name, phase and delay, in the order of the first of each."""
    alike: dict[Block, list[Numbers]] = {}
    for one in found:
        make = shunt_block if one.channel.sensor is Sensor.SHUNT else other_block
        alike.setdefault(replace(make(bench, one), names=()), []).append(one)
    return [_of_all(block, members) for block, members in alike.items()]


def _of_all(block: Block, members: Sequence[Numbers]) -> Block:
    """Add what each of the members has of its own."""
    channels = [one.channel for one in members]
    phases = [c.phase for c in channels if c.phase not in (None, "bus")]
    about = block.about
    if phases:
        about = f"phase{'s' * (len(phases) > 1)} {', '.join(map(str, phases))}, {about}"
    checks, limits = block.checks, block.limits
    if channels[0].quantity == "current" and channels[0].sensor in (Sensor.SHUNT, Sensor.LINEAR):
        blanks = ", ".join(f"{c.name} {BLANK} V" for c in channels)
        checks = (
            *checks,
            Row("Found at 0 A", blanks, "meter at the pin, stage off"),
        )
    told = any(c.delay_s or c.sampled_at not in (None, "any") for c in channels)
    if channels[0].sensor is Sensor.SHUNT or told:
        limits = (*limits, sampled_row(channels[0], tuple((c.name, c.delay_s) for c in channels)))
    return replace(block, names=tuple(c.name for c in channels), about=about, checks=checks, limits=limits)

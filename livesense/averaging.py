"""A few seconds of codes, of a link or of a run being recorded: do they stand still, for zeros and points."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livesense.bench import Bench
from livesense.chain import Chain
from livesense.decoding import decoder_for, same_groups
from livesense.errors import DescriptionError, LinkError
from livesense.link.address import Address
from livesense.logbook.reader import Logbook
from livesense.probe import Probe
from livesense.samples import Codes, Description, GroupInfo, Packets
from livesense.stillness import FEWEST_SCANS, Average, average

PIECE_S = 0.1

PATIENCE_S = 6.0
"""So long the first scan is waited for: devices describe themselves about once a second."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What came: codes ``(n, channels)`` of each group, and what the device said of itself."""

    groups: tuple[GroupInfo, ...]
    codes: dict[int, Codes]
    device: str


def hear(bench: Bench, address: Address, seconds: float) -> Heard:
    """Listen to a link for some seconds of scans; nothing is stored.

    Raises
    ------
    LinkError
        The port cannot be opened, or nothing that can be used comes from it.
    DescriptionError
        The device sends other channels in the middle.
    """
    decoder = decoder_for(bench, live=address.has_clock)
    # Before anything is read: the decoder may know of later ones behind scans of the same read.
    declared = tuple(decoder.groups or ())
    pieces: dict[int, list[Codes]] = {}
    groups: tuple[GroupInfo, ...] = ()
    device = ""
    read = 0

    def take(events: Sequence[Any]) -> None:
        nonlocal groups, device
        for event in events:
            if isinstance(event, Packets):
                groups = groups or declared
                for number, codes in event.codes.items():
                    pieces.setdefault(number, []).append(codes)
            elif isinstance(event, Description):
                if groups and not same_groups(groups, event.groups):
                    raise DescriptionError("the device changed its channels meanwhile; try again")
                groups, device = event.groups, event.device

    with Probe(address, bench.link.baud) as probe:
        begun_s = time.monotonic()
        scans_s: float | None = None
        while not probe.closed:
            heard = probe.listen(PIECE_S)
            read += len(heard.data)
            take(decoder.feed(heard.data))
            now_s = time.monotonic()
            if scans_s is None and pieces:
                scans_s = now_s
            if scans_s is None and now_s - begun_s > PATIENCE_S:
                break
            if scans_s is not None and _enough(groups, pieces, seconds, scans_s, now_s, address.has_clock):
                break
        take(decoder.finish())
    if not pieces or not groups:
        raise LinkError(_nothing(address, read))
    whole = {number: np.concatenate(parts) for number, parts in pieces.items()}
    return Heard(
        groups, {n: codes[: _wanted(groups[n], seconds, len(codes))] for n, codes in whole.items()}, device
    )


def _wanted(group: GroupInfo, seconds: float, there: int) -> int:
    return there if group.rate_hz is None else min(there, max(1, math.ceil(seconds * group.rate_hz)))


def _enough(
    groups: Sequence[GroupInfo],
    pieces: dict[int, list[Codes]],
    seconds: float,
    since_s: float,
    now_s: float,
    live: bool,
) -> bool:
    """Tell whether every group has its scans; on a live line no longer than they should take, and a bit."""
    lacking = [
        number
        for number, group in enumerate(groups)
        if sum(map(len, pieces.get(number, ()))) < _wanted(group, seconds, 1 << 62)
    ]
    return not lacking or (live and now_s - since_s > 1.1 * seconds + 0.5)


def _nothing(address: Address, read: int) -> str:
    if read:
        return (
            f"{read} bytes came from {address.given!r} but no scan was accepted: check baud and wire in "
            "[link]; `livesense identify PORT` tells what comes"
        )
    return (
        f"nothing came from {address.given!r} within {PATIENCE_S:.0f} s: is the device powered, sending, and "
        "on this port? `livesense ports` lists what is there"
    )


NEWEST_S = 2.0


def newest_of_run(book: Logbook, number: int) -> Heard:
    """Read each group's newest whole stretch of a run, at most two seconds of it."""
    run = book.run(number)
    codes = {}
    for group, info in enumerate(run.groups):
        _, found = run.latest(group, round(NEWEST_S * (info.rate_hz or 1.0)))
        if len(found):
            codes[group] = np.asarray(found)
    return Heard(run.groups, codes, run.row.device)


def averages(chain: Chain, heard: Heard, names: Sequence[str]) -> dict[str, Average]:
    """Average each named channel over what was heard.

    Raises
    ------
    LinkError
        when a channel's group sent too little.
    """
    found = {}
    for name in names:
        channel = chain.channels[name]
        codes = heard.codes.get(channel.group)
        count = 0 if codes is None else len(codes)
        if codes is None or count < FEWEST_SCANS:
            raise LinkError(
                f"channel {name!r}: expected at least {FEWEST_SCANS} scans, got {count}; "
                "listen longer with --seconds"
            )
        column = codes[:, chain.column(name)]
        found[name] = average(
            column, heard.groups[channel.group].rate_hz, float(channel.clipped(column).mean())
        )
    return found


def mean_temperatures(chain: Chain, heard: Heard) -> dict[str, float]:
    """Mean temperature of each thermometer that was heard and is within its range, in °C."""
    found = {}
    for name, channel in chain.channels.items():
        codes = heard.codes.get(channel.group)
        if channel.quantity != "temperature" or channel.computed or codes is None or not len(codes):
            continue
        column = codes[:, chain.column(name)]
        value = float(channel.values(column).mean())
        if math.isfinite(value) and not channel.clipped(column).any():
            found[name] = value
    return found

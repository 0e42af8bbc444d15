"""A few seconds of codes from a link, and whether they stand still, for zeros and calibration points."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.bench import Bench
from livesense.chain import Chain, ChannelChain
from livesense.decoding import decoder_for, same_groups
from livesense.errors import DescriptionError, LinkError
from livesense.link.address import Address
from livesense.measures.basic import batch_u, sample_noise
from livesense.probe import Probe
from livesense.samples import Codes, Description, FloatArray, GroupInfo, Packets

PIECE_S = 0.1

PATIENCE_S = 6.0
"""So long the first scan is waited for: devices describe themselves about once a second."""

FEWEST_SCANS = 16

ROUGH_CODES = 0.6
"""Below this spread of the codes nothing stirs their rounding, and it does not average out.

Noise of half a step or more leaves an error of the mean below 1 % of a step (closed form: the error's
largest harmonic is exp(−2 π² σ²)/π steps).
"""

CERTAIN = 12.0
"""The chance that noise passes for a line is about e to the minus this, as in docs/measures.md."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What came: codes ``(n, channels)`` of each group, and what the device said of itself."""

    groups: tuple[GroupInfo, ...]
    codes: dict[int, Codes]
    device: str


@dataclass(frozen=True, slots=True)
class Average:
    """Mean of a channel's codes and how still they stood; all in codes as they are stored.

    ``u_code`` is the standard uncertainty of the mean, slow noise and rounding with it. ``step`` is the
    smallest step the codes take. ``line`` is the peak of the strongest alternating part, at ``line_hz``
    where the rate is known, 0 where none stands out of the noise. ``clipped`` is the share at an end of
    the range.
    """

    code: float
    u_code: float
    scans: int
    noise: float
    spread: float
    drift: float
    u_drift: float
    step: float
    line: float
    line_hz: float | None
    clipped: float

    def movement(self, channel: ChannelChain) -> str | None:
        """Say what moves, with its size; None where everything stands still."""
        per_code, unit = abs(channel.per_code or 1.0), channel.unit

        def amount(codes: float) -> str:
            return f"{codes:.3g} codes ({codes * per_code:.3g} {unit})"

        if abs(self.drift) > max(self.step / 2, 5 * self.u_drift):
            return f"drifts by {amount(abs(self.drift))} meanwhile"
        if self.line > max(self.step, self.noise):
            at = "" if self.line_hz is None else f" at {self.line_hz:.4g} Hz"
            return f"alternates by ±{amount(self.line)}{at}, which is more than its noise of {self.noise:.2g}"
        if self.spread > max(2 * self.noise, 1.5 * self.step):
            return f"wanders by {amount(self.spread)} rms, its noise is {self.noise:.2g} codes"
        return None


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


def average(codes: NDArray[Any], rate_hz: float | None, clipped: float = 0.0) -> Average:
    """Average codes ``(n,)`` that were taken at one rate."""
    y = np.asarray(codes, dtype=np.float64)
    step = _step(y)
    drift, u_drift = _drift(y)
    still = y - drift * (np.arange(y.size) / max(y.size - 1, 1) - 0.5)
    spread = float(still.std())
    line, line_bin = _line(still)
    rounding = step / math.sqrt(12) if spread < ROUGH_CODES * step else 0.0
    return Average(
        code=float(y.mean()),
        u_code=math.hypot(batch_u(y), rounding),
        scans=y.size,
        noise=min(sample_noise(y), spread),
        spread=spread,
        drift=drift,
        u_drift=u_drift,
        step=step,
        line=line,
        line_hz=None if rate_hz is None or not line else line_bin * rate_hz / y.size,
        clipped=clipped,
    )


def _step(y: FloatArray) -> float:
    """Find the smallest step between codes; 1 where there is only one."""
    steps = np.diff(np.unique(y))
    return float(steps.min()) if steps.size else 1.0


def _drift(y: FloatArray) -> tuple[float, float]:
    """Fit a straight line to the means of up to 32 stretches: how far it goes, and its uncertainty."""
    batches = min(32, y.size // 4)
    length = y.size // batches
    means = y[: batches * length].reshape(batches, length).mean(axis=1)
    at = (np.arange(batches) - (batches - 1) / 2) / batches
    squares = float(np.sum(at**2))
    slope = float(np.sum(at * means) / squares)
    left = means - means.mean() - slope * at
    u = math.sqrt(float(np.sum(left**2)) / max(batches - 2, 1) / squares)
    return slope, u


def _line(y: FloatArray) -> tuple[float, float]:
    """Find the strongest alternating part: its peak and its bin; zeros where none stands out of the noise."""
    if y.size < 64:
        return 0.0, 0.0
    window = np.hanning(y.size)
    power = np.abs(np.fft.rfft((y - y.mean()) * window)) ** 2
    # The window's own main lobe of what is left of a drift.
    power[:3] = 0.0
    strongest = int(np.argmax(power))
    # Of white noise the power is exponential: median = mean × ln 2.
    floor = float(np.median(power[3:])) / math.log(2)
    if power[strongest] <= floor * (math.log(power.size) + CERTAIN) or power[strongest] == 0:
        return 0.0, 0.0
    return 2 * math.sqrt(float(power[strongest])) / float(window.sum()), float(strongest)


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

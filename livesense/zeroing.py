"""Taking zeros: whether what was heard with the drive off is one, and why not."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from livesense.averaging import Heard
from livesense.bench import Bench
from livesense.calibrated import boards_of
from livesense.chain import Chain, ChannelChain
from livesense.logbook.rows import CalibrationRow
from livesense.stillness import Average
from livesense.wording import in_percent

FAR_U = 3.0
"""A zero may lie so many standard uncertainties of the bench file's offsets from where it says."""

FAR_SHARE = 0.05
"""Where the bench file does not state offsets: so much of what the channel can read."""

CLIPPED_SHARE = 1e-3

DEAD_V = 2.0
"""A bus above this, and above what the reading may be wrong by, is on or still charged."""


@dataclass(frozen=True, slots=True)
class ZeroCheck:
    """What is to be said of one channel's zero.

    ``moves`` refuses it whatever is asked; ``far`` may be overruled; ``one_sided``: it lies in the output's
    swing, so that it cannot be measured and the channel keeps what the bench file says.
    """

    channel: ChannelChain
    average: Average
    moves: str | None
    far: str | None
    one_sided: str | None

    @property
    def offset(self) -> dict[str, Any]:
        """How far the zero lies from the bench file's, in the channel's unit."""
        per_code = self.channel.per_code or 0.0
        value = per_code * (self.average.code - (self.channel.zero_code or 0.0))
        return {"value": value, "u": abs(per_code) * self.average.u_code, "unit": self.channel.unit}


@dataclass(frozen=True, slots=True)
class JudgedZeros:
    """What is kept of some zeros, and why others are refused; one-sided ones are neither."""

    kept: tuple[str, ...]
    refused: Mapping[str, str]


def zero_channels(chain: Chain) -> list[str]:
    """Channels whose zero is known with the drive off: currents that have codes."""
    return [name for name, c in chain.channels.items() if c.quantity == "current" and c.per_code is not None]


def bus_left_v(chain: Chain, heard: Heard) -> float | None:
    """Voltage of a bus that is not dead; None where it is, or where none is measured."""
    for name, channel in chain.channels.items():
        codes = heard.codes.get(channel.group)
        if (channel.phase, channel.quantity) != ("bus", "voltage") or channel.computed or codes is None:
            continue
        volts = float(channel.values(codes[:, chain.column(name)]).mean())
        if volts > DEAD_V + 3 * float(channel.u_systematic(volts)):
            return volts
    return None


def check_zero(channel: ChannelChain, found: Average, bus_v: float | None = None) -> ZeroCheck:
    """Judge one channel by what was heard with no current.

    ``bus_v`` is the voltage of a bus that is not dead: its current is then what the drive's electronics draw.
    """
    one_sided = _one_sided(channel, found)
    moves = far = None
    if one_sided is None:
        moves = found.movement(channel) or _clipped(found)
        far = _far(channel, found)
        if far is None and bus_v is not None and channel.phase == "bus":
            far = f"is the current of a bus that is at {bus_v:.3g} V: what hangs on it may draw some"
    return ZeroCheck(channel, found, moves, far, one_sided)


def judge_zeros(checks: Mapping[str, ZeroCheck], force: str | None = None) -> JudgedZeros:
    """Keep all zeros or none, but for one-sided ones and a bus current; ``force`` overrules ``far``."""
    refused = {name: why for name, check in checks.items() if (why := _refused(check, force)) is not None}
    # With the supply on, the bus carries what the drive's electronics draw: that alone is then no zero.
    stops = any(checks[n].moves is not None or checks[n].channel.phase != "bus" for n in refused)
    kept = [n for n, check in checks.items() if check.one_sided is None and n not in refused]
    return JudgedZeros(() if stops else tuple(kept), refused)


def _refused(check: ZeroCheck, force: str | None) -> str | None:
    if check.moves is not None:
        return f"{check.moves}: is the drive off and the motor at rest?"
    return None if force is not None else check.far


def _at_an_end(channel: ChannelChain, code: float, margin: float) -> bool:
    low, high = channel.clip_codes()
    return (low is not None and code <= low + margin) or (high is not None and code >= high - margin)


def _one_sided(channel: ChannelChain, found: Average) -> str | None:
    """Tell of a zero in the output's swing, by the bench file and by what was read."""
    margin = 3 * found.noise + found.step
    nominal = channel.zero_code or 0.0
    if not (_at_an_end(channel, nominal, margin) and _at_an_end(channel, found.code, margin)):
        return None
    return (
        "its zero lies in the swing of the amplifier's output, where nothing can be read: one-sided, "
        "the bench file's offsets stay"
    )


def _clipped(found: Average) -> str | None:
    if found.clipped <= CLIPPED_SHARE:
        return None
    return (
        f"is at an end of its range in {in_percent(100 * found.clipped)} of the scans: current flows, or the "
        "reference of the amplifier is not what the bench file says"
    )


def _far(channel: ChannelChain, found: Average) -> str | None:
    """Compare with the bench file's limits; where it states none, with a twentieth of the range."""
    per_code = abs(channel.per_code or 0.0)
    off = per_code * abs(found.code - (channel.zero_code or 0.0))
    stated = "offset" not in channel.u_excludes
    if stated and channel.u_offset > 0:
        allowed = FAR_U * math.hypot(channel.u_offset, per_code * found.u_code)
        what = "the bench file's offsets allow"
    else:
        allowed = FAR_SHARE * (channel.high - channel.low)
        what = "is plausible: 5 % of the range"
    if not off > allowed:
        return None
    return (
        f"lies {off:.3g} {channel.unit} from the bench file's zero, more than {what} ({allowed:.3g} "
        f"{channel.unit}): does current flow? is reference right? "
        '`livesense zero BENCH --force "REASON"` keeps it all the same'
    )


def zero_row(
    bench: Bench,
    name: str,
    check: ZeroCheck,
    *,
    wall_s: float,
    device: str,
    temperatures: Mapping[str, float],
    reason: str,
) -> CalibrationRow:
    """Make the row that is kept of a zero."""
    found = check.average
    return CalibrationRow(
        number=0,
        wall_s=wall_s,
        kind="zero",
        bench_name=bench.name,
        board=boards_of(bench)[name],
        device=device,
        channel=name,
        zero_code=found.code,
        u_codes=found.u_code,
        scans=found.scans,
        unit=check.channel.unit,
        noise_codes=found.noise,
        drift_codes=found.drift,
        reason=reason if check.far else "",
        details={"temperatures": dict(temperatures)},
    )

"""What a device says of itself: a JSON object, believed only as far as it makes sense."""

from __future__ import annotations

import json
import math
import re
from typing import Any, NoReturn

from livesense.samples import CodeType, Description, GroupInfo
from livesense.wire.packing import CODE_BYTES

VERSION = 1

MAX_GROUPS = 256
"""A packet names its group in one byte."""

MAX_CHANNELS = 256
"""Channels of one group: far beyond any converter, and few enough for a page and a logbook."""

MAX_CHANNELS_IN_ALL = 1024

MAX_BITS = 32

MAX_RATE_HZ = 1e9
MIN_RATE_HZ = 1e-6

MAX_BURST = 1 << 31
"""Half the counter: a longer burst could not be told from a restart."""

MAX_BOOT_DIGITS = 64

NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.\-]{0,31}")
"""A channel's name on the wire, in full."""

_PLACE_NAME = re.compile(r"g\d+_c\d+")


class _RefusedError(ValueError):
    """Something in the object cannot be meant; the reason is of no use to the caller."""


def parse_description(text: str, *, framed: bool = True) -> Description | None:
    """Read a description.

    Parameters
    ----------
    text
        The JSON.
    framed
        On the framed wire groups and code types are required. On the text wire
        both may be missing, and there is one group at most.

    Returns
    -------
    Description or None
        None where it is not JSON, or says anything that cannot be meant.
    """
    try:
        content = json.loads(text, parse_constant=_refuse)
        return _description(content, text, framed)
    except (ValueError, RecursionError):
        return None


def _refuse(_: str) -> NoReturn:
    raise _RefusedError


def _require(condition: bool) -> None:
    if not condition:
        raise _RefusedError


def _description(content: Any, text: str, framed: bool) -> Description:
    _require(isinstance(content, dict))
    _whole(content.get("livesense", VERSION), VERSION, VERSION)
    device = content.get("device", "")
    _require(isinstance(device, str))
    rows = content.get("groups", None if framed else [])
    _require(isinstance(rows, list) and int(framed) <= len(rows) <= (MAX_GROUPS if framed else 1))
    groups = []
    shown: list[tuple[str, str]] = []
    for number, row in enumerate(rows):
        groups.append(_group(number, row, framed, shown))
    _require(sum(len(group.channels) for group in groups) <= MAX_CHANNELS_IN_ALL)
    return Description(
        groups=tuple(groups),
        device=_clean(device),
        boot=_boot(content.get("boot")),
        text=text,
        shown_names=tuple(shown),
    )


def _group(number: int, row: Any, framed: bool, shown: list[tuple[str, str]]) -> GroupInfo:
    _require(isinstance(row, dict))
    code = CodeType.TEXT
    if framed:
        name = row.get("code")
        _require(isinstance(name, str) and (name == CodeType.U12 or name in CODE_BYTES))
        code = CodeType(name)
    rate_hz = row.get("rate_hz")
    if rate_hz is not None:
        _require(isinstance(rate_hz, int | float) and not isinstance(rate_hz, bool))
        _require(MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ)
        rate_hz = float(rate_hz)
    bits = row.get("bits")
    burst = row.get("burst")
    return GroupInfo(
        rate_hz=rate_hz,
        code=code,
        bits=None if bits is None else _whole(bits, 1, MAX_BITS),
        channels=_channels(number, row.get("channels", None if framed else []), framed, shown),
        burst=None if burst is None else _whole(burst, 1, MAX_BURST),
    )


def _channels(number: int, names: Any, framed: bool, shown: list[tuple[str, str]]) -> tuple[str, ...]:
    _require(isinstance(names, list) and int(framed) <= len(names) <= MAX_CHANNELS)
    channels: list[str] = []
    for column, name in enumerate(names):
        _require(isinstance(name, str))
        place = f"g{number}_c{column}"
        # A name of this form at another place could hide a replaced one.
        poses = _PLACE_NAME.fullmatch(name) and name != place
        if NAME.fullmatch(name) and not poses and name not in channels:
            channels.append(name)
        else:
            channels.append(place)
            shown.append((place, _clean(name)))
    return tuple(channels)


def _boot(value: Any) -> str | None:
    """Give the boot number as text, in one form for one number; None where the device gives none."""
    if value is None:
        return None
    _require(isinstance(value, int | float | str) and not isinstance(value, bool))
    if isinstance(value, float):
        _require(math.isfinite(value))
        value = int(value) if value.is_integer() else value
    boot = str(value)
    _require(len(boot) <= MAX_BOOT_DIGITS)
    return boot


def _whole(value: Any, low: int, high: int) -> int:
    _require(isinstance(value, int | float) and not isinstance(value, bool))
    _require(low <= value <= high and value == int(value))
    return int(value)


def _clean(text: str) -> str:
    # JSON can escape half of a surrogate pair, which no file or database can hold.
    return text.encode("utf-8", "replace").decode()

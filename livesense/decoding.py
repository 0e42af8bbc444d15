"""Which decoder serves a bench file, and what the bench file itself says of the groups."""

from __future__ import annotations

from collections.abc import Sequence

from livesense.bench import Bench, Sensor
from livesense.samples import CodeType, GroupInfo
from livesense.wire.framed import FramedDecoder
from livesense.wire.text import TextDecoder


def decoder_for(bench: Bench, *, live: bool) -> FramedDecoder | TextDecoder:
    """Make the decoder of a bench's wire; ``live`` tells a port from a file."""
    if bench.link.wire == "text":
        channels = [c for c in bench.channels if c.sensor is not Sensor.COMPUTED]
        return TextDecoder(
            [channel.column for channel in channels],
            columns=bench.link.columns,
            rate_hz=bench.groups[0].rate_hz if bench.groups else None,
            decimals={c.column: c.decimals for c in channels if c.decimals is not None},
            counter_bits=bench.link.counter_bits,
            from_port=live,
        )
    return FramedDecoder(declared_groups(bench))


def declared_groups(bench: Bench) -> list[GroupInfo] | None:
    """Read what the [[group]] tables declare; None when there are none."""
    if not bench.groups:
        return None
    declared = []
    for number, group in enumerate(bench.groups):
        channels = group.channels or tuple(
            channel.column
            for channel in bench.channels
            if channel.sensor is not Sensor.COMPUTED and (channel.group or 0) == number
        )
        declared.append(GroupInfo(group.rate_hz, CodeType(group.code or "u16"), bench.adc.bits, channels))
    return declared


def same_groups(one: Sequence[GroupInfo], other: Sequence[GroupInfo]) -> bool:
    """Tell whether groups, code types and order are the same, whatever their rates."""
    return [(g.code, g.channels) for g in one] == [(g.code, g.channels) for g in other]

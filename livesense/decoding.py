"""Which decoder serves a bench file, and what the bench file itself says of the groups."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livesense.bench import Bench, Channel, Sensor
from livesense.samples import CodeType, GroupInfo
from livesense.wire.framed import FramedDecoder
from livesense.wire.header import printable
from livesense.wire.packing import WIDTHS, code_limits
from livesense.wire.record import RecordDecoder
from livesense.wire.text import TextDecoder

VALUE_DECIMALS = 9
"""Places kept of a value that comes in its own unit where the bench file does not say."""


Decoder = FramedDecoder | TextDecoder | RecordDecoder


def decoder_for(bench: Bench, *, live: bool) -> Decoder:
    """Make the decoder of a bench's wire; ``live`` tells a port from a file."""
    if bench.link.wire == "text":
        channels = [c for c in bench.channels if c.sensor is not Sensor.COMPUTED]
        return TextDecoder(
            [channel.column for channel in channels],
            columns=bench.link.columns,
            rate_hz=bench.groups[0].rate_hz if bench.groups else None,
            decimals={c.column: _decimals(c) for c in channels},
            counter_bits=bench.link.counter_bits,
            from_port=live,
        )
    if bench.link.record is not None:
        rate_hz = bench.groups[0].rate_hz if bench.groups else None
        return RecordDecoder(bench.link.record, rate_hz=rate_hz, bits=bench.adc.bits)
    return FramedDecoder(declared_groups(bench))


LONGEST_HEADER_SHOWN = 200
"""Characters of a header that a message repeats."""


def unfit_header(bench: Bench, decoder: Decoder) -> str | None:
    """Say why a stream of text or records gave no scan; None where nothing is known.

    Text: the header lacks columns. Records: no sync word, or no right check.
    """
    if isinstance(decoder, RecordDecoder):
        return f"{decoder.misfit}; `livesense identify PORT` tells what comes"
    names = decoder.likely_header if isinstance(decoder, TextDecoder) else ()
    if not names:
        return None
    wanted = [channel.column for channel in bench.channels if channel.sensor is not Sensor.COMPUTED]
    header = ", ".join(printable(names))
    if len(header) > LONGEST_HEADER_SHOWN:
        header = header[: LONGEST_HEADER_SHOWN - 1] + "…"
    lacking = ", ".join(name for name in wanted if name not in names)
    return (
        f"the bench file expects the columns {', '.join(wanted)}; the header of the stream is {header}; "
        f"not there: {lacking}. Correct column (or name) of these channels in the bench file, or the header"
    )


def _decimals(channel: Channel) -> int:
    """Places after the point: a value in its own unit has some, an ADC's code has none."""
    if channel.decimals is not None:
        return channel.decimals
    return VALUE_DECIMALS if channel.sensor is Sensor.DIRECT else 0


def group_limits(bench: Bench, group: GroupInfo) -> tuple[tuple[int, int] | None, ...]:
    """Lowest and highest code of each channel of a group; None where every code is possible."""
    bits = group.bits
    if group.code.dtype.kind == "f":
        # Every finite number is a value; the others are kept, and counted.
        largest = int(float(np.finfo(group.code.dtype).max))
        return ((-largest, largest),) * len(group.channels)
    if bench.link.record is not None:
        return tuple(_field_limits(field.type, bits) for field in bench.link.record.channels)
    if group.code is not CodeType.TEXT:
        limits = code_limits(group.code, bits) if bits and bits < WIDTHS[group.code] else None
        return (limits,) * len(group.channels)
    stated = {channel.column: _adc_limits(bench, channel) for channel in bench.channels}
    # Printed codes do not say whether they have a sign, so both readings are in range.
    described = (-(1 << (bits - 1)), (1 << bits) - 1) if bits else None
    decimals = group.decimals or (0,) * len(group.channels)
    return tuple(
        stated.get(name) or (None if places else described)
        for name, places in zip(group.channels, decimals, strict=True)
    )


def _field_limits(kind: str, bits: int | None) -> tuple[int, int] | None:
    """Lowest and highest code of ``bits`` bits in a field of a record; None where all fit."""
    width = int(kind[1:])
    if bits is None or bits >= width:
        return None
    # A signed field may carry two's complement or plain positive codes.
    return (-(1 << (bits - 1)) if kind[0] == "i" else 0), (1 << bits) - 1


def _adc_limits(bench: Bench, channel: Channel) -> tuple[int, int] | None:
    """Lowest and highest code that the ADC can give; None for values that come from no ADC."""
    bits = channel.bits or bench.adc.bits
    if bits is None or channel.sensor in {Sensor.DIRECT, Sensor.STATE, Sensor.COMPUTED}:
        return None
    lowest = -(1 << (bits - 1)) if bench.adc.signed else 0
    # Codes from which the firmware took an offset lie lower by it.
    return lowest - channel.code_offset, lowest + (1 << bits) - 1 - channel.code_offset


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
    """Tell whether groups, code types, order and clock are the same, whatever their rates."""
    return [(g.code, g.channels, g.clock) for g in one] == [(g.code, g.channels, g.clock) for g in other]

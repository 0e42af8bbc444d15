"""A whole bench file: its tables read, its channels and rules checked against each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import PureWindowsPath
from typing import Any

from livesense.bench import (
    Adc,
    Bench,
    Channel,
    Conditions,
    GroupSettings,
    Keep,
    LinkSettings,
    Tolerance,
    Watch,
)
from livesense.bench.channels import place_of, read_channel
from livesense.bench.checks import check_channels, check_link, warnings_of
from livesense.bench.default_rules import default_rules
from livesense.bench.keys import (
    ADC,
    BENCH,
    GROUP,
    KEEP,
    LIMITS,
    LINK,
    LINK_RECORD,
)
from livesense.bench.motor import check_motor_channels, read_motor
from livesense.bench.rules import Rules
from livesense.bench.tables import Place, file_name, tables
from livesense.bench.values import OfFullScale, engineering
from livesense.layout import LayoutError, RecordLayout, read_layout

DEFAULT_BAUD = 115200
LEAST_RAW_OF_EVENT = 2.0
"""Raw scans are kept at least so many times as long as what lies before an event."""


def read_bench(text: str, path: str) -> Bench:
    """Read the text of a bench file.

    Raises
    ------
    BenchError
        when it cannot be used.
    """
    file = file_name(path)
    document = tables(text, file)
    link = _link(file, document.get("link", {}))
    adc = _adc(file, document.get("adc", {}))
    groups = tuple(
        _group(Place(file, f"group {number}"), given)
        for number, given in enumerate(document.get("group", []))
    )
    about = Place(file, "bench").read(document.get("bench", {}), BENCH)
    conditions = Conditions(about.get("bus_voltage"), about.get("temperature_change"))
    channels = _channels(file, document.get("channel", []), adc, conditions)
    check_channels(file, channels, groups, adc, link)
    check_link(file, channels, groups, link)
    motor = read_motor(file, document["motor"]) if "motor" in document else None
    if motor is not None:
        check_motor_channels(file, motor, channels)
    rules = Rules(channels, adc, motor, conditions)
    read = [
        rules.read(Place(file, f"watch {number}"), given)
        for number, given in enumerate(document.get("watch", []), start=1)
    ]
    watches = tuple(rule for rule in read if isinstance(rule, Watch))
    off = [rule for rule in read if isinstance(rule, str)]
    limits = Place(file, "limits").read(document.get("limits", {}), LIMITS)
    return Bench(
        name=about.get("name") or PureWindowsPath(file).stem,
        link=link,
        groups=groups,
        adc=adc,
        motor=motor,
        channels=channels,
        watches=watches,
        limits=tuple(limits.items()),
        text=text,
        path=path,
        warnings=warnings_of(
            channels, groups, adc, link, watches, baud_stated="baud" in document.get("link", {})
        ),
        conditions=conditions,
        default_watches=default_rules(file, rules, motor, watches, off)
        if about.get("default_watches", True)
        else (),
        keep=_keep(Place(file, "keep"), document.get("keep", {}), watches),
    )


def _link(file: str, given: Mapping[str, Any]) -> LinkSettings:
    place = Place(file, "link")
    keys = place.read(given, LINK)
    wire = keys.get("wire", "framed")
    record = _record(file, keys["record"]) if "record" in keys else None
    if record is not None and wire != "record":
        expected = f'no such table with wire = "{wire}": it declares the bytes of a record'
        place.fail("record", expected, given["record"])
    if record is None and wire == "record":
        place.fail("record", 'a table [link.record] with sync and fields, since wire = "record"')
    if wire != "text" and "columns" in keys:
        place.fail(
            "columns", f'no such key with wire = "{wire}": it names the columns of text', given["columns"]
        )
    return LinkSettings(
        port=keys.get("port"),
        baud=keys.get("baud", DEFAULT_BAUD),
        wire=wire,
        columns=keys.get("columns", ()),
        counter_bits=keys.get("counter_bits", 32),
        on_open=keys.get("on_open"),
        dtr=keys.get("dtr"),
        rts=keys.get("rts"),
        record=record,
    )


def _record(file: str, given: Any) -> RecordLayout:
    if not isinstance(given, dict):
        Place(file, "link").fail("record", "a table [link.record]", given)
    place = Place(file, "link.record")
    keys = place.read(given, LINK_RECORD)
    if "fields" not in keys:
        place.fail("fields", f"a list such as {LINK_RECORD['fields'].example}")
    try:
        return read_layout(
            keys.get("sync", ""),
            keys.get("endian", "little"),
            keys["fields"],
            keys.get("check", "none"),
            keys.get("scans", 1),
            check_over=keys.get("check_over", "fields"),
            check_endian=keys.get("check_endian"),
            counts=keys.get("counts", "records"),
        )
    except LayoutError as error:
        place.fail(error.key, error.expected, error.got)


def _adc(file: str, given: Mapping[str, Any]) -> Adc:
    place = Place(file, "adc")
    keys = place.read(given, ADC)
    bits = keys.get("bits")
    steps = keys.get("steps")

    def codes(key: str) -> Tolerance | None:
        found = keys.get(key)
        if not isinstance(found, OfFullScale):
            return found
        whole = steps or (2**bits if bits else None)
        if whole is None:
            place.fail(key, "LSB, or bits stated so that per cent of full scale can be converted", given[key])
        return Tolerance(found.tolerance.value * whole, found.tolerance.k)

    return Adc(
        bits=bits,
        reference_v=keys.get("reference"),
        reference_tolerance=keys.get("reference_tolerance"),
        signed=keys.get("signed", False),
        steps=steps,
        offset_error=codes("offset_error"),
        gain_error=keys.get("gain_error"),
        inl=codes("inl"),
        input_current_a=keys.get("input_current"),
        sampling_time_s=keys.get("sampling_time"),
        sampling_capacitance_f=keys.get("sampling_capacitance"),
        sampling_resistance_ohm=keys.get("sampling_resistance", 0.0),
    )


def _group(place: Place, given: Mapping[str, Any]) -> GroupSettings:
    keys = place.read(given, GROUP)
    return GroupSettings(keys.get("rate"), keys.get("code"), keys.get("channels", ()))


def _keep(place: Place, given: Mapping[str, Any], watches: Sequence[Watch]) -> Keep:
    keys = place.read(given, KEEP)
    if "raw" not in keys and "size" not in keys:
        for key in ("around", "event"):
            if key in keys:
                place.fail(key, "raw or size beside it: without them nothing is dropped", given[key])
    size, free = keys.get("size"), keys.get("free")
    keep = Keep(
        raw_s=keys.get("raw"),
        size_bytes=None if size is None else round(size),
        free_bytes=None if free is None else round(free),
        around_s=keys.get("around", Keep().around_s),
        event_s=keys.get("event", Keep().event_s),
    )
    needed_s = max((max(w.pre_s, keep.around_s) + w.hold_s for w in watches), default=0.0)
    if keep.raw_s is not None and keep.raw_s < LEAST_RAW_OF_EVENT * needed_s:
        place.fail(
            "raw",
            f"at least {engineering(LEAST_RAW_OF_EVENT * needed_s, 's')}, twice what lies before an event of "
            "the [[watch]] rules (pre and hold), so that it can be kept",
            given["raw"],
        )
    return keep


def _channels(
    file: str, given: Sequence[Mapping[str, Any]], adc: Adc, conditions: Conditions
) -> tuple[Channel, ...]:
    found: list[Channel] = []
    for number, table in enumerate(given, start=1):
        place = place_of(file, table, number)
        channel = read_channel(place, table, adc, conditions)
        if any(channel.name == other.name for other in found):
            place.fail("name", "each name once", channel.name)
        found.append(channel)
    units = {channel.name: channel.unit for channel in found}
    return tuple(
        replace(channel, unit=units.get(channel.source[0], "")) if channel.source else channel
        for channel in found
    )

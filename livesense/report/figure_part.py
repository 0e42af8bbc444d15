"""Figures and pictures of a report: stretches, steady parts, starts, events."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from livesense.report import waves
from livesense.report.content import Block, Figure, Section, Table, Tone, Words
from livesense.report.gathered import Gathered
from livesense.report.plots import beside
from livesense.report.words import MISSING, figure, seconds
from livesense.wording import counted, fixed, listed, significant

MOST_STRETCHES = 60
MOST_STEADY = 8
MOST_STARTS = 4
MOST_EVENTS = 12
"""Shown one by one; what is left out is said."""

SIDE_BY_SIDE = 3
"""Channels in one table."""

CYCLES = 3.0
LEAST_AROUND_S = 0.03
MOST_EVENT_S = 0.12


def overview(gathered: Gathered) -> Iterator[Section]:
    """Show all of the run, and what it did when."""
    analysis = gathered.analysis
    begin_s, end_s = analysis.extent_s()
    blocks: list[Block] = []
    if gathered.phases:
        spans = [(row["from_s"], row["to_s"], row["kind"]) for row in gathered.stretches]
        about = (
            f"Phase currents of the whole run: {listed([*gathered.phases])}, lowest to highest of each part"
        )
        picture = waves.waveform(
            analysis,
            [*gathered.phases],
            begin_s,
            end_s,
            about=about,
            spans=spans,
            limits=_limit_lines(gathered),
        )
        if picture is not None:
            blocks.append(
                Figure(picture, f"{about}. Each column holds the lowest and highest sample: no peak is lost.")
            )
    if (kept := gathered.shown.get("keep") or {}).get("dropped"):
        blocks.append(Words(f"Of this run {kept['text']}.", Tone.CAUTION))
    if gathered.stretches:
        rows = tuple(_stretch(row) for row in gathered.stretches[:MOST_STRETCHES])
        notes = ["± at k = 2, about 95 %. Energy is that of the bus."]
        if (left := len(gathered.stretches) - MOST_STRETCHES) > 0:
            notes.append(f"{counted(left, 'more stretch', 'more stretches')} follow.")
        header = ("from", "to", "what", "frequency", "largest current", "energy", "")
        blocks.append(Table(header, rows, (2, 6), tuple(notes)))
    else:
        blocks.append(Words(f"No stretches are told apart: {gathered.no_stretches}"))
    yield Section("The run at a glance", tuple(blocks))


def _limit_lines(gathered: Gathered) -> list[tuple[float, str]]:
    """Limits of instant overcurrent rules on the phases."""
    found = []
    for watch in gathered.analysis.bench.rules:
        instant = watch.kind == "overcurrent" and watch.quantity == "instant"
        if instant and watch.limit is not None and set(watch.channels) & set(gathered.phases):
            text = f"limit {significant(watch.limit)} A"
            found += [(watch.limit, text), (-watch.limit, text)]
    return found


def _stretch(row: Mapping[str, Any]) -> tuple[str, ...]:
    return (
        f"{row['from_s']:.2f} s",
        f"{row['to_s']:.2f} s",
        row["kind"],
        f"{row['frequency_hz']:.4g} Hz" if row["sequence"] else MISSING,
        figure(row.get("highest")),
        figure(row.get("energy")),
        row["text"],
    )


def figures(gathered: Gathered) -> Iterator[Section]:
    """Tell the figures of the steady parts, or of the whole run where none are told apart."""
    if gathered.whole is not None:
        yield Section("Figures of the whole run", tuple(_measures(gathered, gathered.whole)))
        return
    steady = gathered.steady
    if not steady:
        yield Section("Steady parts", (Words("The run holds no steady part."),))
        return
    longest = sorted(steady, key=lambda row: -row["seconds"])[:MOST_STEADY]
    left = len(steady) - len(longest)
    yield Section(
        "Steady parts",
        (Words(f"The {len(longest)} longest; {counted(left, 'shorter one')} left out."),) if left else (),
    )
    for row in steady:
        if row in longest:
            title = f"Steady, {seconds(row['from_s'])} to {seconds(row['to_s'])}"
            yield Section(title, tuple(_steady(gathered, row)), 3)


def _steady(gathered: Gathered, row: Mapping[str, Any]) -> Iterator[Block]:
    measures, analysis, names = row["measures"], gathered.analysis, [*gathered.phases]
    from_s, to_s = measures["used_from_s"], measures["used_to_s"]
    yield from _measures(gathered, measures)
    drift = f"From the first third to the last: {fixed(row['drift_hz'], 3)} Hz, "
    yield Words(
        f"{drift}{fixed(row['drift_a'], 4)} A in the length of the current vector. The figures are of "
        f"{seconds(from_s)} to {seconds(to_s)}: beside a change, what still settles is left out.",
        Tone.NOTE,
    )
    shown_s = _cycles_s(row["frequency_hz"], to_s - from_s)
    about = f"Phase currents {listed(names)} from {seconds(from_s)} on"
    if (picture := waves.waveform(analysis, names, from_s, from_s + shown_s, about=about)) is not None:
        yield Figure(picture, f"{about}, {significant(1e3 * shown_s, 3)} ms of the steady part.")
    vectors = waves.phasor_picture(measures, gathered.phases)
    percents = waves.harmonic_percents(analysis, names, from_s, to_s)
    bars = None if percents is None else waves.harmonic_picture(*percents)
    if vectors is not None:
        said = "Phasors of the fundamentals, corrected for bandwidth and delay; U lies at 0°"
        both = vectors if bars is None else beside(vectors, bars)
        yield Figure(both, f"{said}.{'' if bars is None else _HARMONICS}")
    elif bars is not None:
        yield Figure(bars, _HARMONICS.strip())


_HARMONICS = (
    " Harmonics, not corrected for the chain's bandwidth; bars of one order stand in the order of the names."
)


def _cycles_s(frequency_hz: float, longest_s: float) -> float:
    return min(longest_s, CYCLES / frequency_hz) if frequency_hz > 0 else min(longest_s, 1.0)


_CHANNEL_ROWS = (
    ("rms", "rms"),
    ("fundamental_rms", "fundamental, rms"),
    ("mean", "mean"),
    ("phase_deg", "angle"),
    ("thd_percent", "distortion"),
    ("noise_rms", "noise, rms"),
    ("min", "lowest"),
    ("max", "highest"),
)


def _measures(gathered: Gathered, measures: Mapping[str, Any]) -> Iterator[Block]:
    """Tell one set of figures: channels side by side, then what they have in common."""
    units = {c.name: c.quantity for c in gathered.analysis.channels}
    currents = [n for n in measures["channels"] if units.get(n) == "current"]
    columns = currents or [n for n in measures["channels"] if units.get(n) not in ("state", None)]
    rows = []
    for key, label in _CHANNEL_ROWS:
        cells = [figure(measures["channels"][name].get(key)) for name in columns]
        if any(cell != MISSING for cell in cells):
            rows.append((label, *cells))
    reasons = sorted(
        {
            why
            for name in columns
            for key, why in (measures["channels"][name].get("withheld") or {}).items()
            if key in dict(_CHANNEL_ROWS)
        }
    )
    notes = [f"{MISSING}: withheld, {'; '.join(reasons)}."] if reasons else []
    excluded = sorted({key for name in columns for key in measures["channels"][name]["u_excludes"]})
    if excluded:
        notes.append(f"± leaves out what the bench file does not state: {', '.join(excluded)}.")
    for at in range(0, len(columns), SIDE_BY_SIDE):
        part = [(row[0], *row[1 + at : 1 + at + SIDE_BY_SIDE]) for row in rows]
        last = at + SIDE_BY_SIDE >= len(columns)
        names = columns[at : at + SIDE_BY_SIDE]
        yield Table(("figure", *names), tuple(part), (0,), tuple(notes) if last else ())
    unfitted = "rate" in (measures.get("speed") or {}).get("u_excludes", ())
    rate = ("± of frequency and speed leaves out the scan rate's own error: it was fitted against no clock.",)
    yield Table(("figure", "value"), tuple(_common(measures)), (0, 1), rate if unfitted else ())


_COMMON = {
    "electrical_hz": "electrical frequency",
    "rpm": "speed",
    "unbalance_percent": "unbalance",
    "energy_Wh": "energy",
    "charge_Ah": "charge",
    "positive_rms": "positive sequence, rms",
    "negative_rms": "negative sequence, rms",
    "zero_rms": "zero sequence, rms",
    "residual_rms": "residual (sum of the phases), rms",
    "max_deviation_percent": "largest deviation from the mean rms",
    "acceleration_hz_per_s": "change of the frequency",
    "length": "length of the current vector",
    "locus_major": "path of the vector, longer half axis",
    "locus_minor": "path of the vector, shorter half axis",
    "locus_tilt_deg": "path of the vector, tilt",
    "quadrature_ripple_rms": "ripple across the vector, rms",
    "direct_ripple_rms": "ripple along the vector, rms",
    "winding_c": "winding temperature",
}


def _common(measures: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for part in ("speed", "three_phase", "power", "vector", "machine"):
        for key, value in (measures.get(part) or {}).items():
            label = _COMMON.get(key, key.replace("_", " "))
            if isinstance(value, Mapping) and "value" in value:
                yield label, figure(value)
            elif key == "assumes" and value:
                yield "torque assumes", str(value)
            elif key == "sequence" and value:
                yield "sequence", str(value)
    for name, value in (measures.get("temperatures") or {}).items():
        yield f"temperature, {name}", figure(value)


def starts(gathered: Gathered) -> Iterator[Section]:
    """Show how the machine starts."""
    found = [row for row in gathered.stretches if row["kind"] == "start"]
    if not found:
        return
    yield Section("Starts", _left(len(found), MOST_STARTS, "start"))
    for row in found[:MOST_STARTS]:
        around_s = 0.1 * row["seconds"]
        from_s, to_s = max(0.0, row["from_s"] - around_s), row["to_s"] + around_s
        rows = [
            ("largest current", figure(row.get("highest"))),
            ("time to speed", seconds(row["time_to_speed_s"])),
            ("settled after", seconds(row["settled_after_s"])),
            ("overshoot of the speed", _percent(row["overshoot_percent"])),
            ("energy from the bus", figure(row.get("energy"))),
        ]
        blocks: list[Block] = [Table(("figure", "value"), tuple(rows), (0, 1))]
        about = f"Phase currents {listed([*gathered.phases])} during the start"
        spans = [(row["from_s"], row["to_s"], "start")]
        picture = waves.waveform(
            gathered.analysis, [*gathered.phases], from_s, to_s, about=about, spans=spans,
            limits=_limit_lines(gathered),
        )  # fmt: skip
        if picture is not None:
            blocks.append(Figure(picture, f"{about}."))
        yield Section(f"Start at {seconds(row['from_s'])}", tuple(blocks), 3)


def _percent(value: float | None) -> str:
    return MISSING if value is None else f"{significant(value, 2)} %"


def _left(count: int, most: int, one: str) -> tuple[Block, ...]:
    return (Words(f"The first {most} of {counted(count, one)} are shown."),) if count > most else ()


def events(gathered: Gathered) -> Iterator[Section]:
    """List the events, and show the weightiest with what led to them."""
    found = gathered.events
    if not found:
        yield Section(
            "Events", (Words("No event: no rule of the bench file was met by what the samples show."),)
        )
        return
    weightiest = sorted(found, key=lambda e: -_excess(e))[:MOST_EVENTS]
    shown = [event for event in found if event in weightiest]
    rows = tuple(
        (
            seconds(e["start_s"]),
            e["kind"] + (" (note)" if e.get("severity") == "note" else ""),
            e["channel"],
            figure(e["peak"]),
            figure(e["limit"]),
            seconds(None if e["end_s"] is None else e["end_s"] - e["start_s"]),
            figure(e.get("i2t")),
            _remark(e),
        )
        for e in shown
    )
    blocks: list[Block] = []
    if len(found) > len(shown):
        all_of_them = counted(len(found), "event")
        blocks.append(Words(f"{all_of_them}; the {len(shown)} furthest beyond their limits are shown."))
    blocks.append(
        Table(("at", "kind", "channel", "peak", "limit", "lasted", "∫i²dt", "remark"), rows, (1, 2, 7))
    )
    yield Section("Events", tuple(blocks))
    for together in _incidents(gathered, shown):
        if (block := _picture_of(gathered, together)) is not None:
            yield Section(f"Around {seconds(together[0]['start_s'])}", (block,), 3)


def _incidents(gathered: Gathered, shown: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    """Join events that one picture shows: of the same channels, and begun within it."""
    found: list[list[Mapping[str, Any]]] = []
    for event in sorted((e for e in shown if e["start_s"] is not None), key=lambda e: e["start_s"]):
        last = found[-1] if found else None
        near = last is not None and event["start_s"] - last[0]["start_s"] < MOST_EVENT_S - LEAST_AROUND_S
        if last is not None and near and _channels(gathered, event) == _channels(gathered, last[0]):
            last.append(event)
        else:
            found.append([event])
    return found


def _channels(gathered: Gathered, event: Mapping[str, Any]) -> list[str]:
    """Tell what is drawn of an event: all phases where it is of some of them."""
    known = gathered.analysis.chain.channels
    named = [n for n in event["channel"].split("+") if n in known]
    return [*gathered.phases] if named and set(named) <= set(gathered.phases) else named


def _remark(event: Mapping[str, Any]) -> str:
    """Give the event's text where the other columns do not tell all of it."""
    told = event["kind"] == "overcurrent" and not event["lost_scans"] and not event["cut_short"]
    return "" if told and not event["peak"].get("at_least") else event["text"]


def _excess(event: Mapping[str, Any]) -> float:
    limit = abs(event["limit"]["value"] or 0.0)
    return abs(event["peak"]["value"] or 0.0) / limit if limit else 0.0


def _picture_of(gathered: Gathered, together: Sequence[Mapping[str, Any]]) -> Block | None:
    first, names = together[0], _channels(gathered, together[0])
    if not names:
        return None
    begin_s = max(0.0, first["start_s"] - max(LEAST_AROUND_S, min(first["pre_s"] or 0.0, MOST_EVENT_S / 2)))
    ends = [e["end_s"] if e["end_s"] is not None else e["start_s"] for e in together]
    after = max(first["post_s"] or 0.0, LEAST_AROUND_S)
    cut = max(ends) + after - begin_s > MOST_EVENT_S
    to_s = begin_s + MOST_EVENT_S if cut else max(ends) + after
    limit = first["limit"]["value"]
    lines = []
    if first.get("quantity") == "instant" and limit is not None:
        text = f"limit {significant(limit)} {first['limit']['unit']}"
        lines = [(limit, text), (-limit, text)]
    kinds = listed([*dict.fromkeys(f"{e['kind']} of {e['channel']}" for e in together)])
    about = f"{listed(names)} around {kinds} from {seconds(first['start_s'])} on"
    marks = [(e["start_s"], e["channel"]) for e in together if begin_s <= e["start_s"] <= to_s]
    picture = waves.waveform(gathered.analysis, names, begin_s, to_s, about=about, marks=marks, limits=lines)
    if picture is None:
        return None
    more = f" {significant(1e3 * MOST_EVENT_S, 3)} ms of it are shown." if cut else ""
    return Figure(picture, f"{about}; dotted: where an event begins.{more}")

"""The bench file of a recording: its channels, and from a given bench file all that is not about the line."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from livesense.bench import Bench, Channel, Sensor
from livesense.errors import UsageError
from livesense.recordings.recording import RecordedChannel, Recording

_KEPT = ("bench", "motor", "limits", "watch")
"""Tables of a bench file that hold for a recording too; how codes come about is the file's own business."""


@dataclass(frozen=True, slots=True)
class Joined:
    """A channel of the recording, and the bench file's channel of that name or column."""

    recorded: RecordedChannel
    bench: Channel | None

    @property
    def name(self) -> str:
        """As the run calls it."""
        return self.recorded.name if self.bench is None else self.bench.name

    @property
    def unit(self) -> str:
        """The file's; the bench file's where the file does not state one."""
        stated = self.recorded.unit and "unit" not in self.recorded.assumed
        return self.recorded.unit if stated or self.bench is None else self.bench.unit

    @property
    def phase(self) -> str | None:
        """The bench file's where that has the channel."""
        return self.recorded.phase if self.bench is None else self.bench.phase


def join(recording: Recording, bench: Bench | None) -> list[Joined]:
    """Find the bench file's entry of each recorded channel: by its name, or by its column."""
    by_name: dict[str, Channel] = {}
    for channel in bench.channels if bench is not None else ():
        if channel.sensor is not Sensor.COMPUTED:
            for name in (channel.name, channel.column):
                by_name.setdefault(name, channel)
    joined: list[Joined] = []
    taken: set[str] = set()
    for recorded in recording.channels:
        found = by_name.get(recorded.name) or by_name.get(recorded.shown)
        if found is not None and found.name in taken:
            found = None
        if found is not None:
            taken.add(found.name)
        joined.append(Joined(recorded, found))
    names = [one.name for one in joined]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UsageError(
            f"the bench file calls a channel {twice!r}, and the recording has another of that name"
        )
    return joined


def bench_text(recording: Recording, joined: Sequence[Joined], bench: Bench | None, title: str) -> str:
    """Write the bench file that the run is kept with.

    Raises
    ------
    UsageError
        A rule of the bench file is about channels that the recording lacks.
    """
    document: dict[str, Any] = {} if bench is None else tomllib.loads(bench.text)
    document = {key: document[key] for key in _KEPT if key in document}
    document.setdefault("bench", {}).setdefault("name", title)
    document["channel"] = [_channel(one) for one in joined]
    known = {one.name for one in joined}
    for channel in bench.channels if bench is not None else ():
        if (
            channel.sensor is Sensor.COMPUTED
            and channel.name not in known
            and known.issuperset(channel.source)
        ):
            made = {"name": channel.name, "sensor": "computed", "from": list(channel.source)}
            document["channel"].append(made | ({"phase": channel.phase} if channel.phase else {}))
            known.add(channel.name)
    for number, rule in enumerate(document.get("watch", []), start=1):
        named = [*rule.get("channels", []), *(rule[key] for key in ("state",) if key in rule)]
        missing = [name for name in named if name not in known]
        if missing:
            raise UsageError(
                f"watch {number} of the bench file: expected channels of the recording "
                f"({', '.join(sorted(known))}), found {', '.join(missing)}; give the bench's channel "
                "the file's name as its column, or take the rule out"
            )
    head = f"# Made by livesense import, of a {recording.kind.upper()} recording.\n"
    return head + _toml(document)


def _channel(one: Joined) -> dict[str, Any]:
    recorded = one.recorded
    found: dict[str, Any] = {"name": one.name, "sensor": "state" if recorded.state else "direct"}
    if one.name != recorded.name:
        found["column"] = recorded.name
    if one.phase:
        found["phase"] = one.phase
    if one.bench is not None and one.phase != "bus":
        found["place"] = one.bench.place
    circuit = (one.bench.circuit if one.bench is not None else "") or recorded.circuit
    if circuit:
        found["circuit"] = circuit
    if recorded.state:
        return found
    if one.unit:
        found["unit"] = one.unit
    if recorded.scale != 1.0:
        found["scale"] = recorded.scale
    if recorded.zero:
        found["zero"] = recorded.zero
    if recorded.delay_s:
        found["delay"] = f"{recorded.delay_s * 1e6:.12g} us"
    return found


def _toml(document: Mapping[str, Any]) -> str:
    parts: list[str] = []
    for key, value in document.items():
        if isinstance(value, dict):
            parts.append(f"[{key}]\n{_lines(value)}")
        else:
            parts += [f"[[{key}]]\n{_lines(table)}" for table in value]
    return "\n".join(parts)


def _lines(table: Mapping[str, Any]) -> str:
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in table.items())


def _key(key: str) -> str:
    return key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, str):
        # JSON's strings are TOML's basic strings, but for one control character that JSON leaves as it is.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + " }"
    return repr(value)

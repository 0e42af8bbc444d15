"""What `measure` prints: each part's figures, and at the end, once each, why others are not there."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from livesense.cli.output import quantity, safe, table
from livesense.wording import bounded, listed, plain

SHOWN = (
    "mean", "rms", "ac_rms", "fundamental_rms", "frequency_hz", "phase_deg", "thd_percent",
    "thd_group_percent", "thd_subgroup_percent", "noise_rms",
    "effective_bits", "min", "max", "peak_to_peak", "crest_factor",
)  # fmt: skip

PARTS = ("three_phase", "vector", "power", "machine", "speed", "pwm", "temperatures")

_BESIDE = ("withheld", "u_excludes", "assumes")

_HEADS = {"pwm": "ripple of the pulses", "vector": "current vector", "three_phase": "three phases"}


def print_facts(facts: Mapping[str, Any], states: set[str]) -> None:
    """Print the figures; ``states`` are channels of which means and rms values say nothing."""
    span = f"{facts['used_from_s']:.6g} s to {facts['used_to_s']:.6g} s"
    what = {"steady": "the longest steady stretch, ", "all": "all of it, "}.get(facts["window"], "")
    print(f"Run {facts['run']}, {what}{span}; ± is k = 2 (about 95 %)")
    if facts["window"] == "steady":
        print("Other stretches: `livesense stretches`; other windows: --from and --to")
    if facts["dropped"]:
        print(facts["dropped"])
    missing: dict[str, dict[str, list[str]]] = defaultdict(dict)
    for name, figures in facts["channels"].items():
        if name not in states:
            _channel(name, figures, missing)
    withheld: dict[str, str] = dict(facts.get("withheld", {}))
    parts = {part: facts.get(part) or {} for part in PARTS}
    parts |= {
        f"three_phase_by_place.{place}": figures
        for place, figures in facts.get("three_phase_by_place", {}).items()
    }
    for part, figures in parts.items():
        head = _HEADS.get(part, part.replace("three_phase_by_place.", "three phases, "))
        _part(head, part, figures, withheld, missing)
    _print_missing(missing)


def _channel(name: str, figures: Mapping[str, Any], missing: dict[str, dict[str, list[str]]]) -> None:
    reasons: Mapping[str, str] = figures.get("withheld", {})
    shown = []
    for key in SHOWN:
        if figures.get(key) is not None:
            shown.append((_label(key, figures), quantity(figures[key])))
        elif key in figures:
            missing[reasons.get(key, "")].setdefault(name, []).append(key)
    clipped = figures["clipped_scans"]
    shape = f"  ({figures['shape']})" if figures.get("shape") else ""
    print(f"\n{safe(name)}{shape}" + (f"  ({clipped} scans clipped)" if clipped else ""))
    if shown:
        print(table(("figure", "value"), shown))
    if figures.get("unseen_peak") and figures["unseen_peak"]["value"] > 0:
        unseen = figures["unseen_peak"]
        print(
            f"Peaks not visible by up to {unseen['value']:.2g} {unseen['unit']}; shortest visible excess "
            f"{plain(1e6 * figures['shortest_visible_s'], 3)} µs"
        )
    if figures["u_excludes"]:
        print("± leaves out what the bench file does not state: " + ", ".join(figures["u_excludes"]))


def _label(key: str, figures: Mapping[str, Any]) -> str:
    order = figures.get("thd_order")
    if key.startswith("thd_group") or key.startswith("thd_subgroup"):
        order = figures.get("thd_group_order")
    return f"{key} (to harmonic {order})" if key.startswith("thd_") and order else key


def _part(
    head: str,
    part: str,
    figures: Mapping[str, Any],
    withheld: Mapping[str, str],
    missing: dict[str, dict[str, list[str]]],
) -> None:
    own: Mapping[str, str] = figures.get("withheld", {})
    rows = []
    for key, value in figures.items():
        if key in _BESIDE:
            continue
        for label, path, figure in _several(key, value):
            if figure is not None:
                rows.append(
                    (label, figure if isinstance(figure, str) else bounded(figure) + quantity(figure))
                )
            elif reason := own.get(path) or withheld.get(f"{part}.{path}", ""):
                missing[reason].setdefault(head, []).append(label)
    for path, reason in own.items():
        if path.startswith("ripple."):
            missing[reason].setdefault(head, []).append(path.removeprefix("ripple."))
    if not rows:
        return
    print(f"\n{head}")
    print(table(("figure", "value"), rows))
    if figures.get("assumes") and figures.get("torque"):
        print(f"torque takes {figures['assumes']}")
    if figures.get("u_excludes"):
        left_out = ", ".join(figures["u_excludes"])
        rate = "the scan rate's own error: it was fitted against no clock"
        print(
            f"± leaves out {rate if part == 'speed' else f'what the bench file does not state: {left_out}'}"
        )


def _several(key: str, value: Any) -> list[tuple[str, str, Any]]:
    """Take apart what stands for several figures: angles and wattmeters."""
    if key == "angles_deg":
        return [(f"angle {phase}", f"angles_deg.{phase}", angle) for phase, angle in (value or {}).items()]
    if key == "two_wattmeters":
        return [(f"wattmeter {pair}", key, reading) for pair, reading in (value or {}).items()]
    if key == "of":
        return [("rpm is that of the", key, value)]
    if key == "ripple":
        return [
            (f"{name} {what}", f"ripple.{name}", f"{figure * 1e6:.3g} µs" if what == "settling_s" else figure)
            for name, figures in (value or {}).items()
            for what, figure in figures.items()
        ]
    return [(key, key, value)]


def _print_missing(missing: Mapping[str, Mapping[str, list[str]]]) -> None:
    if not missing:
        return
    print("\nwithheld")
    for reason, by_part in missing.items():
        # Parts that lack the same figures are told together.
        alike: dict[tuple[str, ...], list[str]] = defaultdict(list)
        for part, keys in by_part.items():
            alike[tuple(keys)].append(part)
        told = [f"{listed([safe(p) for p in parts])}: {', '.join(keys)}" for keys, parts in alike.items()]
        print(f"  {safe(reason) or 'not known'}")
        for line in told:
            print(f"    {line}")

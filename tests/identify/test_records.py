"""Layouts nobody declared, told from the bytes: held to an outside generator."""

from __future__ import annotations

import numpy as np
import pytest
from record_streams import WIDTHS, Layout, make

from livesense.identify.binary import FoundRecord, find_record


def mistakes(found: FoundRecord | None, sent: Layout) -> list[str]:
    if found is None:
        return ["nothing found"]
    channels = [field for field in found.fields if field.role == "channel"]
    checks = {
        "length": found.length == sent.length,
        "sync": found.sync == sent.sync,
        "check": found.check == sent.check,
        "order": found.big == sent.big,
        "scans": found.scans == sent.scans,
        "channels": [field.width for field in channels] == [WIDTHS[sent.kind]] * sent.channels,
        "float": all((field.type == "f32") == (sent.kind == "f32") for field in channels),
        "counter": [f.type for f in found.fields if f.role == "counter"]
        == [sent.counter] * bool(sent.counter),
        "clock": any(field.role == "clock" for field in found.fields) == sent.clock,
    }
    return [name for name, right in checks.items() if not right]


def judged(seeds: range) -> tuple[int, list[tuple[int, float, list[str]]]]:
    wrong = []
    for seed in seeds:
        data, sent = make(seed)
        found = find_record(data)
        if found_wrong := mistakes(found, sent):
            wrong.append((seed, found.confidence if found else 0.0, found_wrong))
    return len(seeds) - len(wrong), wrong


@pytest.mark.slow
def test_layouts_are_found_and_never_wrong_with_confidence() -> None:
    right, wrong = judged(range(60))
    assert right >= 57, wrong
    assert not [one for one in wrong if one[1] >= 0.9], wrong


@pytest.mark.slow
def test_more_layouts_are_found() -> None:
    right, wrong = judged(range(1000, 1400))
    assert right >= 390, wrong
    assert sum(confidence >= 0.9 for _, confidence, _ in wrong) <= 2, wrong


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_no_record(seed: int) -> None:
    data = np.random.default_rng(seed).integers(0, 256, 20_000, dtype=np.uint8).tobytes()
    assert find_record(data) is None


@pytest.mark.parametrize(
    "data", [b"", b"\0" * 5000, b"\xff" * 5000, b"\xa5\x5a" * 2000, bytes(range(256)) * 20]
)
@pytest.mark.slow
def test_what_always_repeats_tells_no_layout(data: bytes) -> None:
    found = find_record(data)
    assert found is None or found.confidence < 0.7


def test_evidence_names_bytes_and_counts() -> None:
    seed = next(s for s in range(500) if make(s)[1].check == "crc16-modbus" and make(s)[1].counter == "u8")
    data, sent = make(seed)
    found = find_record(data)
    assert found is not None
    last = sent.length - 1
    text = "\n".join(found.evidence)
    assert f"every {sent.length} bytes, {found.checked} of {found.of}" in text
    assert f"bytes {last - 1}–{last} match crc16-modbus over bytes {len(sent.sync)}–{last - 2}" in text
    assert "up by 1 from record to record, a counter" in text

"""docs/wire.md is true: its examples decode, its table follows from its formula, its limits are real."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from livesense.layout import read_layout
from livesense.samples import CodeType, Description, FaultKind, GroupInfo, Packets
from livesense.wire import description, framed, text
from livesense.wire.cobs import stuff
from livesense.wire.encode import MAX_PACKET, frames, xor_checksum
from livesense.wire.framed import FramedDecoder
from livesense.wire.packing import pack_rows
from livesense.wire.record import RecordDecoder

DOCS = (Path(__file__).parents[2] / "docs" / "wire.md").read_text(encoding="utf-8")


def hex_after(label: str) -> bytes:
    found = re.search(rf"\b{label}\s*((?:[0-9A-F]{{2}} ?)+)", DOCS)
    assert found is not None, label
    return bytes.fromhex(found.group(1))


def test_the_frame_decodes() -> None:
    line = hex_after("line")
    assert stuff(hex_after(r"packet {3}(?=53)")) + b"\0" == line
    (packets,) = FramedDecoder([GroupInfo(1.0, CodeType.U16, 12, ("a", "b", "c", "d"))]).feed(line)
    assert isinstance(packets, Packets)
    assert packets.codes[0].tolist() == [[2048, 2047, 2050, 0]]
    assert packets.first is not None
    assert packets.first.tolist() == [1]


@pytest.mark.parametrize(
    ("packet", "stuffed"), re.findall(r"packet {2}([0-9 ]+?) +stuffed {2}([0-9 ]+)\n", DOCS)
)
def test_stuffing_examples(packet: str, stuffed: str) -> None:
    assert stuff(bytes.fromhex(packet)) == bytes.fromhex(stuffed)


def test_packing_example() -> None:
    assert pack_rows([[0x123, 0x456, 0x789]], CodeType.U12).tobytes() == hex_after(r"hexadecimal\)\s+bytes")


def test_the_description_is_taken() -> None:
    found = re.search(r'    (\{"livesense": 1.*?\]\}\]\})', DOCS, re.DOTALL)
    assert found is not None
    described = description.parse_description(found.group(1))
    assert isinstance(described, Description)
    assert [group.rate_hz for group in described.groups] == [20000.0, 10.0]


def test_the_text_checksum() -> None:
    found = re.search(r"(0,2048,2047,2050)\*([0-9A-F]{2})", DOCS)
    assert found is not None
    assert xor_checksum(found.group(1).encode()) == int(found.group(2), 16)


ROWS = re.findall(r"\| [^|]+ \| (\d+) \| (\d+) \| (\d+) \|", DOCS)


@pytest.mark.parametrize(("bytes_s", "u16", "u12"), ROWS)
def test_the_link_table_follows_from_the_encoder(bytes_s: str, u16: str, u12: str) -> None:
    for code, scans, printed in ((CodeType.U16, 30, u16), (CodeType.U12, 40, u12)):
        frame = frames(0, 1, [[1, 2, 3, 4]] * scans, scans, code)
        assert len(frame) == 240 + 10
        assert round(int(bytes_s) * scans / len(frame)) == int(printed)


def test_the_table_is_there() -> None:
    assert len(ROWS) == 5


def test_limits_are_the_codes() -> None:
    assert MAX_PACKET == text.LINE_LIMIT == 4096
    assert f"up to {framed.WAITING_LIMIT_BYTES >> 20} MiB" in DOCS
    assert f"at most {description.MAX_GROUPS} |" in DOCS
    assert f"at most {description.MAX_CHANNELS} in a group, {description.MAX_CHANNELS_IN_ALL} in all" in DOCS


@pytest.mark.parametrize("kind", sorted(set(FaultKind) - {FaultKind.BAD_RECORD}))
def test_every_fault_is_explained(kind: FaultKind) -> None:
    assert f"`{kind}`" in DOCS


LAYOUTS = [
    tomllib.loads(block)["link"]["record"] for block in re.findall(r"```toml\n(.*?)```", DOCS, re.DOTALL)
]


def test_layouts_of_records_are_taken() -> None:
    read = [read_layout(**{"endian": "little", "check": "none", "scans": 1} | keys) for keys in LAYOUTS]
    # By hand: sync, fields, check.
    assert [layout.size for layout in read] == [2 + 7 + 2, 2 + 9 + 4, 2 + 7 + 1, 1 + 8 + 8 * 4 + 2, 4 + 14]
    assert len(read) == 5
    for layout in read:
        assert all(f"`{layout.check}`" in DOCS for layout in read if layout.check != "none")
        assert RecordDecoder(layout, rate_hz=1.0).feed(bytes(1000)) == []

"""Do the checks of records bite? Each of these mistakes, made by hand in a copy, must be seen."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from mutated import copies

SOURCES = ["layout.py", "samples.py", "errors.py", "wire/__init__.py", "wire/record.py", "wire/checksum.py"]

# name: (file, right, wrong)
MUTANTS = {
    "a check covers the sync word always": ("wire/record.py", "0 if layout.check_over_sync else length", "0"),
    "a check never covers the sync word": (
        "wire/record.py",
        "0 if layout.check_over_sync else length",
        "length",
    ),
    "a check in the order of the fields": ("wire/record.py", "big=layout.check_big", "big=layout.big"),
    "a sync word may be wrong": (
        "wire/record.py",
        "right: NDArray[np.bool_] = (rows[:, :length] == self._sync).all(axis=1)",
        "right: NDArray[np.bool_] = np.ones(len(rows), dtype=np.bool_)",
    ),
    "no next sync word is asked for": (
        "wire/record.py",
        "self._ahead = len(layout.sync) if layout.check ==",
        "self._ahead = 0 if layout.check ==",
    ),
    "the search leaves a byte out": (
        "wire/record.py",
        "self._search(raw, at + 1)",
        "self._search(raw, at + 2)",
    ),
    "no fault is counted": ("wire/record.py", "faults += self._skipped and self._joined", "pass"),
    "what came before the first counts": (
        "wire/record.py",
        "faults += self._skipped and self._joined",
        "faults += self._skipped",
    ),
    "a counter of records counts scans": (
        "wire/record.py",
        "big=layout.big) * layout.scans_per_count",
        "big=layout.big)",
    ),
    "scans lie one byte off": (
        "layout.py",
        "stride = begin - channels[0].begin",
        "stride = begin - channels[0].begin + 1",
    ),
    "three bytes without sign": (
        "wire/record.py",
        'column("i1" if one.type[0] == "i" else "u1", top)',
        'column("u1", top)',
    ),
    "three bytes the other way round": (
        "wire/record.py",
        "places if layout.big else reversed(places)",
        "places",
    ),
    "the rest of a read is lost": ("wire/record.py", "self._rest = buffer[at:]", 'self._rest = b""'),
    "a counter of scans wraps late": (
        "layout.py",
        "return 1 if self.counts_scans else self.scans",
        "return self.scans",
    ),
    "a sum of sixteen bits": (
        "wire/checksum.py",
        "rows.sum(axis=1, dtype=np.uint8)",
        "rows.sum(axis=1, dtype=np.uint16)",
    ),
    "CRC-16/XMODEM from ones": (
        "wire/checksum.py",
        "_crc(2, 0x1021, 0, reflected",
        "_crc(2, 0x1021, 0xFFFF, reflected",
    ),
    "CRC-16/MODBUS not reflected": (
        "wire/checksum.py",
        "0xA001, 0xFFFF, reflected=True",
        "0xA001, 0xFFFF, reflected=False",
    ),
    "CRC-32 without its last step": ("wire/checksum.py", "True, final=0xFFFFFFFF", "True, final=0"),
}


class Told:
    """The modules of one copy, and what its decoder makes of bytes."""

    def __init__(self, package: str) -> None:
        def load(name: str) -> ModuleType:
            return importlib.import_module(f"{package}.{name}")

        self.layout, self.record = load("layout"), load("wire.record")

    def of(self, layout: Any, *reads: str) -> tuple[list[list[int]], list[int], int]:
        """Codes, counters of packets and faults."""
        decoder = self.record.RecordDecoder(layout, rate_hz=1000.0)
        codes: list[list[int]] = []
        first: list[int] = []
        faults = 0
        for event in [event for read in reads for event in decoder.feed(bytes.fromhex(read))]:
            if type(event).__name__ == "LinkFault":
                faults += event.count
            else:
                codes += event.codes[0].tolist()
                first += [] if event.first is None else event.first.tolist()
        return codes, first, faults


def all_checks(told: Told) -> None:
    """Bytes typed and sums reckoned by hand; CRCs of "123456789" as catalogued, from memory."""
    make = told.layout.read_layout
    plain = make("A5", "little", ["n:u8", "a:u16"], "sum8")
    good = "A5 01 02 03 06"
    assert told.of(plain, good, "A5 02 FF FF 00") == ([[0x0302], [0xFFFF]], [1, 2], 0)
    assert told.of(plain, "A5 01", "02 03 06") == ([[0x0302]], [1], 0)
    # A5 5A before what is right; then a record with a wrong check, and one whose first byte is wrong.
    assert told.of(plain, "A5 5A " + good + "A5 02 00 00 09" + good + "A4 01 02 03 06" + good)[2] == 2
    assert told.of(plain, "A5 " + good) == ([[0x0302]], [1], 0)
    over = make("A5", "little", ["a:u16"], "xor8", check_over="all")
    assert told.of(over, "A5 01 02 A6")[0] == [[0x0201]]
    assert told.of(make("A5", "little", ["a:u16"], "xor8"), "A5 01 02 03", "A5 01 02 A6")[0] == [[0x0201]]
    ahead = make("A5", "little", ["a:u8"])
    assert told.of(ahead, "A5 01 A5 02 00")[0] == [[1]]
    scans = ["n:u8", "a:u8", "b:u8"]
    records, counted = (make("A5", "big", scans, "xor8", 2, counts=c) for c in ("records", "scans"))
    assert told.of(records, "A5 03 01 02 04 08 0C") == ([[1, 2], [4, 8]], [6], 0)
    assert told.of(counted, "A5 03 01 02 04 08 0C")[1] == [3]
    assert (records.modulus, counted.modulus) == (512, 256)
    for order, bytes_of in (("little", "FE FF FF"), ("big", "FF FF FE")):
        wide = make("A5", order, ["a:i24"], "xor8")
        assert told.of(wide, f"A5 {bytes_of} FE")[0] == [[-2]]
    nine = [f"c{n}:u8" for n in range(1, 10)]
    checks = {
        "crc16-xmodem": "31 C3",
        "crc16-modbus": "4B 37",
        "crc16-ibm-3740": "29 B1",
        "crc32": "CB F4 39 26",
    }
    for check, value in checks.items():
        layout = make("A5", "little", nine, check, check_endian="big")
        assert told.of(layout, "A5 31 32 33 34 35 36 37 38 39 " + value)[0] == [list(b"123456789")]


@pytest.fixture
def told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.syspath_prepend(str(tmp_path))
    with copies(tmp_path, SOURCES, Told) as make:
        yield make


def test_the_decoder_as_it_is_passes(told_of: Any) -> None:
    all_checks(told_of(None))


@pytest.mark.parametrize("change", MUTANTS.values(), ids=MUTANTS)
def test_a_mistake_is_seen(told_of: Any, change: tuple[str, str, str]) -> None:
    told = told_of(change)
    # A mistake may show as a wrong result or, in a copy nobody ships, as an error.
    with pytest.raises(Exception):  # noqa: B017
        all_checks(told)

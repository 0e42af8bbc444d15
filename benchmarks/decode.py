"""How fast the wires decode, beside what one would write with ready-made parts.

Run ``python benchmarks/decode.py``. Framed: megabytes of payload a second, beside
``bytes.split``, a C decoder of byte stuffing and ``binascii.crc_hqx``, which only
check the frames and keep no codes. Text: megabytes of text a second, beside
``readline``, ``split`` and ``int``, which take whatever comes for a scan. Records:
megabytes of 60-byte records a second, beside
``struct.iter_unpack`` and, record by record, the checksum of the standard library,
for an undamaged stream that begins with a record. The best of several passes is shown, in processor time.
"""

from __future__ import annotations

import argparse
import binascii
import io
import struct
import time
import zlib
from collections.abc import Callable

import numpy as np

from livesense.layout import RecordLayout, read_layout
from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import frames, text_lines
from livesense.wire.framed import FramedDecoder
from livesense.wire.record import RecordDecoder
from livesense.wire.text import TextDecoder

try:
    from cobs import cobs
except ImportError:  # the twin is only there with the test dependencies
    cobs = None


def best_s(work: Callable[[], object], passes: int) -> float:
    times = []
    for _ in range(passes):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def framed_feeds(data: bytes, groups: list[GroupInfo], size: int) -> int:
    decoder = FramedDecoder(groups)
    events = 0
    for at in range(0, len(data), size):
        events += len(decoder.feed(data[at : at + size]))
    return events


def parts(data: bytes) -> int:
    good = 0
    for frame in data.split(b"\0"):
        if frame:
            packet = cobs.decode(frame)
            good += binascii.crc_hqx(packet[:-2], 0xFFFF) == int.from_bytes(packet[-2:], "little")
    return good


def framed_table(total: int, passes: int) -> None:
    print("framed, MB of payload a second")
    print(f"{'payload B':>10} {'codes':>8} {'1 MiB reads':>12} {'64 KiB':>8} {'4 KiB':>8} {'ready-made':>11}")
    rng = np.random.default_rng(1)
    for payload in (12, 60, 240, 1000, 4000):
        for kind in ("12 bit", "zeros"):
            channels = 2
            scans = payload // (2 * channels)
            count = total // payload * scans
            codes = (
                rng.integers(0, 4096, (count, channels)) if kind == "12 bit" else np.zeros((count, channels))
            )
            group = GroupInfo(20000.0, CodeType.U16, 12, ("iu", "iv"))
            data = frames(0, 123456, codes.astype(np.int64), scans, CodeType.U16)
            carried = count * channels * 2 / 1e6
            speeds = [
                carried / best_s(lambda d=data, s=size, g=group: framed_feeds(d, [g], s), passes)
                for size in (1 << 20, 1 << 16, 1 << 12)
            ]
            twin = carried / best_s(lambda d=data: parts(d), passes) if cobs else float("nan")
            row = " ".join(f"{speed:>{width}.0f}" for speed, width in zip(speeds, (12, 8, 8), strict=True))
            print(f"{payload:>10} {kind:>8} {row} {twin:>11.0f}")


def text_feeds(data: bytes, size: int) -> int:
    decoder = TextDecoder(["iu", "iv", "iw"], rate_hz=1000.0, decimals={}, from_port=False)
    events = 0
    for at in range(0, len(data), size):
        events += len(decoder.feed(data[at : at + size]))
    return events


def line_by_line(data: bytes) -> int:
    """What one would write: a buffered reader, ``readline``, ``split``, ``int``, and an array at the end."""
    reader = io.BufferedReader(io.BytesIO(data))
    rows = []
    while line := reader.readline():
        rows.append([int(field) for field in line.split(b",")])
    return len(np.array(rows, dtype=np.int64))


def line_by_line_flat(data: bytes) -> int:
    """The same by somebody who knows that a list of lists is slow to make an array of."""
    reader = io.BufferedReader(io.BytesIO(data))
    codes: list[int] = []
    while line := reader.readline():
        codes.extend(map(int, line.split(b",")))
    return len(np.array(codes, dtype=np.int64).reshape(-1, 4))


def text_table(total: int, passes: int) -> None:
    print("\ntext, MB of lines a second")
    print(
        f"{'lines':>22} {'1 MiB reads':>12} {'64 KiB':>8} {'4 KiB':>8} {'line by line':>13} {'flat list':>10}"
    )
    rng = np.random.default_rng(1)
    count = total // 20
    rows = np.column_stack([np.arange(count), rng.integers(0, 4096, (count, 3))])
    plain, checked = text_lines(rows), text_lines(rows, checksum=True)
    spoilt = bytearray(plain)
    for at in range(1000, len(spoilt), 10_000):
        spoilt[at] = ord("x")
    signed = text_lines(rows - [0, 2048, 2048, 2048], end="\r\n")
    padded = b"".join(b"%d, %4d, %4d, %4d\n" % tuple(row) for row in rows.tolist())
    streams = {
        "n and 3 codes": plain,
        "signed, CR LF": signed,
        "with checksum": checked,
        "a bad line each 10 kB": bytes(spoilt),
        "padded to a width": padded,
    }
    for name, lines in streams.items():
        data = b"n,iu,iv,iw\n" + lines
        speeds = [
            len(data) / 1e6 / best_s(lambda d=data, s=size: text_feeds(d, s), passes)
            for size in (1 << 20, 1 << 16, 1 << 12)
        ]
        row = " ".join(f"{speed:>{width}.0f}" for speed, width in zip(speeds, (12, 8, 8), strict=True))
        if lines is plain:
            for twin, width in ((line_by_line, 13), (line_by_line_flat, 10)):
                row += f" {len(lines) / 1e6 / best_s(lambda d=lines, t=twin: t(d), passes):>{width}.0f}"
        print(f"{name:>22} {row}")


RECORD = "n:u16 iu:u16 iv:u16 iw:u16 ibus:u16".split() + [f"x{k}:u16" for k in range(22)]


def record_feeds(data: bytes, layout: RecordLayout, size: int) -> int:
    decoder = RecordDecoder(layout, rate_hz=20000.0)
    events = 0
    for at in range(0, len(data), size):
        events += len(decoder.feed(data[at : at + size]))
    return events


def unpacked(data: bytes, check: str, form: str, size: int) -> int:
    good = 0
    of = CHECKSUMS[check]
    for at, fields in zip(range(0, len(data), size), struct.iter_unpack(form, data), strict=True):
        good += of is None or of(data[at + 2 : at + size - WIDTH[check]]) == fields[-1]
    return good


CHECKSUMS: dict[str, Callable[[bytes], int] | None] = {
    "crc16-ibm-3740": lambda body: binascii.crc_hqx(body, 0xFFFF),
    "crc32": zlib.crc32,
    "none": None,
}
WIDTH = {"crc16-ibm-3740": 2, "crc32": 4, "none": 0}
LETTER = {"crc16-ibm-3740": "H", "crc32": "I", "none": ""}


def record_table(total: int, passes: int) -> None:
    print("\nrecords of about 60 bytes, MB a second")
    print(f"{'check':>22} {'1 MiB reads':>12} {'64 KiB':>8} {'4 KiB':>8} {'iter_unpack':>13}")
    rng = np.random.default_rng(1)
    for check, of in CHECKSUMS.items():
        layout = read_layout("A5 5A", "little", RECORD, check)
        count = total // layout.size
        rows = rng.integers(0, 4096, (count, len(RECORD)), dtype="<u2")
        rows[:, 0] = np.arange(count)
        bodies = [row.tobytes() for row in rows]
        tails = [of(body).to_bytes(WIDTH[check], "little") if of else b"" for body in bodies]
        data = b"".join(b"\xa5\x5a" + body + tail for body, tail in zip(bodies, tails, strict=True))
        speeds = [
            len(data) / 1e6 / best_s(lambda d=data, y=layout, s=size: record_feeds(d, y, s), passes)
            for size in (1 << 20, 1 << 16, 1 << 12)
        ]
        form = f"<2x{len(RECORD)}H{LETTER[check]}"
        twin = best_s(lambda d=data, c=check, f=form, s=layout.size: unpacked(d, c, f, s), passes)
        row = " ".join(f"{speed:>{width}.0f}" for speed, width in zip(speeds, (12, 8, 8), strict=True))
        print(f"{check:>22} {row} {len(data) / 1e6 / twin:>13.0f}")


def one_frame_us(passes: int) -> float:
    group = GroupInfo(20000.0, CodeType.U16, 12, ("iu", "iv", "iw", "vbus"))
    data = frames(0, 0, np.full((100, 4), 2048), 20, CodeType.U16)
    decoder = FramedDecoder([group])
    return best_s(lambda: decoder.feed(data), passes * 20) * 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=float, default=4.0)
    parser.add_argument("--passes", type=int, default=5)
    parser.add_argument("--only", choices=("framed", "text", "record"))
    options = parser.parse_args()
    for name, table in {"framed": framed_table, "text": text_table, "record": record_table}.items():
        if options.only in (None, name):
            table(int(options.megabytes * 1e6), options.passes)
    print(f"\na read of five frames takes {one_frame_us(options.passes):.0f} µs")


if __name__ == "__main__":
    main()

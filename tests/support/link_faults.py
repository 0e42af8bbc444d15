"""A device on a bad link: what it sent, what the line made of it, and which of it came through whole.

Written from the description of the wires alone, and sharing no code with livesense. Every scan says
which one it is by its codes: the number of the scan since the beginning of everything, and a hash of that.
The line then flips bits, drops, doubles and adds bytes, cuts frames short, loses, doubles and exchanges
them; the device restarts, its counter wraps, the port goes away, and the computer falls behind.
"""

from __future__ import annotations

import binascii
import json
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise

from tests.support import plain_device

CODES = 3
SLOT = 12
"""Packets sent for each fault. Faults keep some packets apart: two in a row may look like a third."""


def codes_of(serial: int, group: int = 0) -> tuple[int, int, int]:
    """Three codes of 12 bits that tell which scan of all this is."""
    mixed = (serial * 2654435761 + group * 40503 + 12345) & 0xFFFFFFFF
    return serial & 0xFFF, serial >> 12 & 0xFFF, (mixed ^ mixed >> 15) >> 7 & 0xFFF


def serial_of(codes: Iterable[int], group: int = 0) -> int | None:
    """Which scan has these codes; None where no scan that was sent can have them."""
    low, high, mixed = codes
    serial = low | high << 12
    return serial if codes_of(serial, group) == (low, high, mixed) else None


@dataclass
class Packet:
    """What the device sends at once: a frame, a line or a record."""

    data: bytes
    group: int = 0
    first: int = 0
    """Number of its first scan, counted over all restarts; ``count`` 0: it holds none."""
    count: int = 0
    at_s: float = 0.0
    life: int = 0
    """How often the device had restarted."""
    whole: bool = True
    """Whether it came through as it was sent, between two ends of packets."""
    excused: bool = False
    """Whether it may be refused though it is whole, as one that came late."""
    sent: bytes = b""
    """What it was before it was spoilt."""
    sudden: str = ""
    """The port went away in front of it, or the computer fell behind: only its end comes."""
    reach: tuple[int, ...] = ()
    """Of an interruption: the scan of each group that was due."""


@dataclass
class Life:
    """From one restart of the device to the next: the ``first`` scan of each group, and its counter."""

    first: list[int]
    counter: int
    told: bool


@dataclass
class Wire:
    """How one kind of stream is made: ``modulus`` 0 where nothing counts."""

    name: str
    bench: str
    modulus: int
    end: bytes
    """Last byte of every packet; empty for records."""
    encode: Callable[[int, int, list[tuple[int, ...]]], bytes]
    """Group, counter of the first scan, scans → bytes."""
    extra: Callable[[int], list[bytes]] = lambda boot: []
    """What else is said at boot and now and then."""
    scans: tuple[int, int] = (1, 1)
    scans_per_count: int = 1
    groups: int = 1
    boots: bool = False
    restarts: bool = True
    checked: bool = True
    """Whether packets have a check; lines without one only meet damage that leaves no number for another."""
    unseen: Callable[[bytes, bytes], bool] = lambda spoilt, following: False
    """Whether a check of eight bits is right for spoilt bytes, or for what they make of the packet behind.
    No receiver can tell them, so such damage is left out."""
    undecided: int = 5
    """Packets after a restart that may be dropped: until a group's two in a row follow on."""


# The wires


def framed() -> Wire:
    groups = [
        {"rate_hz": 1000, "code": "u16", "bits": 12, "channels": ["iu", "iv", "iw"]},
        {"rate_hz": 1000, "code": "u12", "bits": 12, "channels": ["x", "y", "z"]},
    ]

    def frame(packet: bytes) -> bytes:
        crc = binascii.crc_hqx(packet, 0xFFFF).to_bytes(2, "little")
        return plain_device.stuff(packet + crc) + b"\0"

    def encode(group: int, counter: int, scans: list[tuple[int, ...]]) -> bytes:
        codes = [code for scan in scans for code in scan]
        body = plain_device.pack(codes, "u12" if group else "u16")
        return frame(b"S" + bytes([group]) + counter.to_bytes(4, "little") + body)

    def extra(boot: int) -> list[bytes]:
        return [frame(b"D" + json.dumps({"boot": boot, "groups": groups}).encode()), frame(b"Nramp done")]

    bench = plain_device.bench_text("framed")
    return Wire("framed", bench, 2**32, b"\0", encode, extra, (1, 20), groups=2, boots=True, undecided=16)


def text(*, counter: bool, checksum: bool, bits: int = 32) -> Wire:
    names = "n,iu,iv,iw" if counter else "iu,iv,iw"

    def summed(data: bytes) -> bytes:
        xor = 0
        for byte in data:
            xor ^= byte
        return data + b"*%02X" % xor

    def line(content: str) -> bytes:
        return (summed(content.encode()) if checksum else content.encode()) + b"\r\n"

    def unseen(spoilt: bytes, following: bytes) -> bool:
        data, at = spoilt + following, 0
        while checksum and at < len(spoilt):
            end = data.index(b"\n", at)
            one = data[at:end].removesuffix(b"\r").upper()
            if one[-3:-2] == b"*" and summed(data[at : at + len(one) - 3]).upper() == one:
                return True
            at = end + 1
        return False

    def encode(group: int, count: int, scans: list[tuple[int, ...]]) -> bytes:
        (scan,) = scans
        return line(",".join(map(str, (count, *scan) if counter else scan)))

    def extra(boot: int) -> list[bytes]:
        # Where nothing counts there is no restart to tell.
        described = [line(f'#{{"boot":{boot}}}')] if counter else []
        return [line(names), *described, line("# ramp done")]

    columns = ", ".join(f'"{name}"' for name in names.split(","))
    link = f"columns = [{columns}]" + (f"\ncounter_bits = {bits}" if counter else "")
    bench = plain_device.bench_text("text", link=link, groups='[[group]]\nrate = "1 kHz"')
    told = ("counter" if counter else "no counter") + (", checksum" if checksum else "")
    return Wire(
        f"text, {told}, {bits} bits",
        bench,
        2**bits if counter else 0,
        b"\n",
        encode,
        extra,
        boots=counter and bits == 32,
        restarts=bits > 8,
        checked=checksum,
        unseen=unseen,
    )


def modbus(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def record(*, counter: bool, check: str, scans: int = 1) -> Wire:
    checks = {
        "crc16-modbus": lambda body: modbus(body).to_bytes(2, "little"),
        "sum8": lambda body: bytes([sum(body) & 0xFF]),
        "none": lambda body: b"",
    }

    def encode(group: int, count: int, sent: list[tuple[int, ...]]) -> bytes:
        body = count.to_bytes(2, "little") if counter else b""
        body += b"".join(code.to_bytes(2, "little") for scan in sent for code in scan)
        return b"\xa5\x5a" + body + checks[check](body)

    def unseen(spoilt: bytes, following: bytes) -> bool:
        data = spoilt + following
        at = data.find(b"\xa5\x5a") if check == "sum8" else -1
        while 0 <= at < len(spoilt):
            if bytes([sum(data[at + 2 : at + 8]) & 0xFF]) == data[at + 8 : at + 9]:
                return True
            at = data.find(b"\xa5\x5a", at + 1)
        return False

    fields = ('"n:u16", ' if counter else "") + '"iu:u16", "iv:u16", "iw:u16"'
    link = f'[link.record]\nsync = "A5 5A"\nfields = [{fields}]\ncheck = "{check}"\nscans = {scans}'
    bench = plain_device.bench_text("record", link=link, groups='[[group]]\nrate = "1 kHz"')
    return Wire(
        f"record, {'counter' if counter else 'no counter'}, {check}",
        bench,
        65536 * scans if counter else 0,
        b"",
        encode,
        scans=(scans, scans),
        scans_per_count=scans,
        checked=check != "none",
        unseen=unseen,
    )


# The device


@dataclass
class Story:
    """All that was sent, and what became of it."""

    wire: Wire
    packets: list[Packet]
    lives: list[Life]
    sent: list[int]
    """Scans of each group."""
    faults: dict[str, int] = field(default_factory=dict)

    def counter(self, life: Life, group: int, serial: int) -> int:
        """The device's counter, in scans, at a scan of this life."""
        return (life.counter + serial - life.first[group]) % self.wire.modulus


RATE_HZ = 1000.0


def tell(wire: Wire, *, faults: int, seed: int, live: bool) -> Story:
    """Let a device send, and a line spoil, until there were so many faults."""
    rng = random.Random(seed)
    story = _sent(wire, faults, rng, live)
    _spoil(story, faults - sum(story.faults.values()), rng)
    _judge(story)
    return story


def _sent(wire: Wire, faults: int, rng: random.Random, live: bool) -> Story:
    """Packets as the device sends them, through restarts, wraps and times without a port."""
    story = Story(wire, [], [], [0] * wire.groups)
    total = faults * SLOT
    restart_each, away_each = max(total // 25, 200), max(total // 40, 150)
    at_s = 0.0
    for at in range(total):
        born = at == 0 or (wire.restarts and at % restart_each == 0)
        if born:
            _begin_life(story, told=wire.boots and rng.random() < 0.5)
        if born or at % 50 == 0:
            for data in wire.extra(len(story.lives)):
                # Where the device does not tell at once, its counter has told when it does.
                if not (born and at and b"boot" in data and not story.lives[-1].told):
                    story.packets.append(Packet(data, at_s=at_s))
        sudden = ""
        if live and at % away_each == away_each - 1:
            sudden = rng.choice(["outage", "host"])
            _count(story, sudden)
            for group in range(wire.groups):
                away = rng.randint(0, 60) * wire.scans_per_count
                story.sent[group] += away
                at_s += away / RATE_HZ
        reach = tuple(story.sent)
        packet = _next_packet(story, rng.randrange(wire.groups), rng.randint(*wire.scans))
        packet.reach = reach
        packet.at_s = at_s = at_s + packet.count / RATE_HZ
        packet.life = len(story.lives) - 1
        packet.sudden = sudden
        story.packets.append(packet)
    return story


def _begin_life(story: Story, *, told: bool) -> None:
    """Restart the device; every other time it begins to count shortly below the wrap."""
    wire, number = story.wire, len(story.lives)
    counter = 0
    if wire.modulus and number % 2 == 0:
        counter = (wire.modulus - 100 * wire.scans[1]) // wire.scans_per_count * wire.scans_per_count
    story.lives.append(Life(list(story.sent), counter, told))
    if number:
        _count(story, "restart with boot" if told else "restart without boot")
    if counter:
        _count(story, "wrap")


def _next_packet(story: Story, group: int, count: int) -> Packet:
    wire, first = story.wire, story.sent[group]
    number = story.counter(story.lives[-1], group, first) // wire.scans_per_count if wire.modulus else 0
    scans = [codes_of(first + k, group) for k in range(count)]
    story.sent[group] += count
    return Packet(wire.encode(group, number, scans), group, first, count)


def _count(story: Story, kind: str) -> None:
    story.faults[kind] = story.faults.get(kind, 0) + 1


# The line


def _flip(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _drop(data: bytes, rng: random.Random) -> bytes:
    at, size = rng.randrange(len(data)), rng.choice([1, 1, 1, 2, 3, 5])
    return data[:at] + data[at + size :]


def _double(data: bytes, rng: random.Random) -> bytes:
    at, size = rng.randrange(len(data)), rng.choice([1, 1, 1, 2, 3, 5])
    return data[: at + size] + data[at:]


def _add(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + rng.randbytes(rng.choice([1, 2, 5, 30])) + data[at:]


def _cut(data: bytes, rng: random.Random) -> bytes:
    return data[: rng.randrange(len(data))]


DAMAGE = {"flip": _flip, "drop": _drop, "double": _double, "add": _add, "cut": _cut}


def _unmistakable(data: bytes, rng: random.Random) -> bytes:
    """Damage to a line without a checksum that cannot leave a number in the place of another."""
    at = data.rindex(b",")
    return rng.choice(
        [
            data[:at] + data[at + 1 :],
            data[:at] + b"," + data[at:],
            data[:at] + b"\0" + data[at:],
            data[:at] + b"\xff" + data[at:],
            data[:at] + b"x" + data[at:],
            data[:at] + b"\r\n" + data[at + 1 :],
            data[: at + 1] + b"\r\n",
            data[:-2] + b",7\r\n",
            b"--" + data,
        ]
    )


def _spoil(story: Story, faults: int, rng: random.Random) -> None:
    """Let the line do its worst: a fault each few packets, until there were so many."""
    rest = story.packets[::-1]
    out: list[Packet] = []
    due = 20
    while rest:
        packet = rest.pop()
        due -= 1
        if due > 0 or not packet.count or packet.sudden or faults == 0:
            out.append(packet)
            continue
        faults -= 1
        due = rng.randint(5, 8)
        kind = rng.choice([*DAMAGE, "lose", "lose many", "twice", "exchange"])
        following = rest[-1] if rest else packet
        if kind == "exchange" and (not following.count or following.sudden):
            kind = "twice"
        _count(story, kind)
        if kind == "lose":
            pass
        elif kind == "lose many":
            for _ in range(rng.randint(1, 40)):
                if rest and not rest[-1].sudden:
                    rest.pop()
        elif kind == "twice":
            out += [packet, replace(packet, excused=True)]
        elif kind == "exchange":
            packet.excused = True
            out += [rest.pop(), packet]
        else:
            careful = story.wire.end == b"\n" and not story.wire.checked
            spoil = _unmistakable if careful else DAMAGE[kind]
            spoilt = spoil(packet.data, rng)
            while story.wire.unseen(spoilt, following.data):
                spoilt = spoil(packet.data, rng)
            packet.sent, packet.data = packet.data, spoilt
            packet.whole = False
            out.append(packet)
    story.packets = out


def _judge(story: Story) -> None:
    """Tell which packets came through whole: a neighbour without its end spoils the next."""
    wire = story.wire
    before: Packet | None = None
    undecided = 0
    life = 0
    for at, (packet, following) in enumerate(pairwise([*story.packets, Packet(b"")])):
        if before is None or before.sudden or packet.sudden or following.sudden:
            # At an interruption a packet may be cut, or its start be missed.
            packet.excused = True
        elif wire.end and before.data[-1:] != wire.end:
            packet.whole = False
        if before is not None and before.sent and (before.data + packet.data).startswith(before.sent):
            # The end that the one before lacks is by chance the beginning of this one, which lacks it now.
            packet.whole = False
        if not wire.end and not wire.checked:
            # It is taken by the sync word behind it, which may be cut off.
            cut = any(other.sudden for other in story.packets[at + 1 : at + 3])
            packet.whole &= not cut and following.data[:2] == b"\xa5\x5a"
        if packet.count and packet.life > life:
            # What comes after a restart may wait for the next packet, and for the boot number.
            life, undecided = packet.life, wire.undecided
        if undecided and packet.count and packet.whole:
            packet.excused = True
            undecided -= 1
        if packet.data:
            before = packet


def items(story: Story, seed: int) -> list[tuple[str, bytes, float]]:
    """What the port hands over, read for read: ``("bytes" | "outage" | "host", bytes, seconds)``."""
    rng = random.Random(seed)
    out: list[tuple[str, bytes, float]] = []
    held = b""
    before = b""
    for number, packet in enumerate(story.packets):
        if packet.sudden:
            # Of the packet before it only the beginning came, of this one only the end.
            cut = len(held) - rng.randint(0, min(len(before), len(held)))
            out += [("bytes", held[:cut], packet.at_s), (packet.sudden, b"", packet.at_s)]
            rest = rng.randint(0, len(packet.data))
            while story.wire.unseen(packet.data[len(packet.data) - rest :], b""):
                rest -= 1
            held = packet.data[len(packet.data) - rest :]
        else:
            held += packet.data
        before = packet.data
        if not packet.sudden and rng.random() < (0.2, 0.01, 0.002)[number // 400 % 3]:
            cut = len(held) - rng.randint(0, len(packet.data))
            out.append(("bytes", held[:cut], packet.at_s))
            held = held[cut:]
    return [*out, ("bytes", held, story.packets[-1].at_s)]

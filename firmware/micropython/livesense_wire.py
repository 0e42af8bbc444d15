"""Sender of livesense's framed wire (docs/wire.md) for MicroPython, CircuitPython and Python.

`write` is whatever sends bytes and takes all that it is given: uart.write,
sys.stdout.buffer.write, usb_cdc.data.write.

    batch = Batch(write, 0, "u16", 3, 16, flush_ticks=50)
    description(write, '{"livesense": 1, "groups": [...]}')     at boot and about once a second
    batch.scan((iu, iv, iw), time.ticks_ms())                   one code from each channel
    batch.flush_due(time.ticks_ms())                            for what has waited too long

Memory is taken when a packet is sent, and for counters beyond 2**30 (after weeks at 500 Hz).
MIT licence, as livesense.
"""


def send(write, packet):
    """Add the CRC to a packet (bytes: kind and body), stuff it, and write the frame."""
    if len(packet) > 4094:
        raise ValueError("expected a packet of at most 4096 bytes, got %d: send less" % (len(packet) + 2))
    crc = 0xFFFF
    for byte in packet:
        byte ^= crc >> 8
        byte ^= byte >> 4
        crc = (crc << 8 ^ byte << 12 ^ byte << 5 ^ byte) & 0xFFFF
    frame = bytearray()
    for piece in (packet + bytes((crc & 255, crc >> 8))).split(b"\0"):
        while len(piece) > 254:
            frame.append(255)
            frame.extend(piece[:254])
            piece = piece[254:]
        frame.append(len(piece) + 1)
        frame.extend(piece)
        if len(piece) == 254:  # a full piece stands for no zero: the next one does
            frame.append(1)
    if len(piece) == 254:  # behind the last there is none
        frame = frame[:-1]
    frame.append(0)
    write(frame)


def description(write, text):
    """Send a description (JSON)."""
    send(write, b"D" + bytes(text, "utf-8"))


def note(write, text):
    """Send a note, such as "ramp done"."""
    send(write, b"N" + bytes(text, "utf-8"))


class Batch:
    """Scans of one group, gathered into packets of `full` scans.

    `code` is "u16", "i16" or "u12". A packet is also sent when its first scan has waited for
    `flush_ticks`, in ticks of any clock that wraps at a power of two from 2**29 up, or not at
    all (0: only full packets are sent). `counter` counts scans since boot, modulo 2**32.
    """

    def __init__(self, write, group, code, channels, full, flush_ticks=0):
        codes = channels * full
        size = (codes * 3 + 1) // 2 if code == "u12" else codes * 2
        if code not in ("u16", "i16", "u12"):
            raise ValueError("expected code u16, i16 or u12, got %r" % (code,))
        if not 0 < size <= 4088:
            raise ValueError("expected 1 to 4088 bytes of codes in a packet, got %d: change full" % size)
        self.write = write
        self.u12 = code == "u12"
        self.channels = channels
        self.full = full
        self.flush_ticks = flush_ticks
        self.counter = 0
        self.scans = 0
        self.odd = False
        self.packet = bytearray(6 + size)
        self.packet[0] = 0x53
        self.packet[1] = group

    def scan(self, codes, tick=0):
        """Add a scan: one code of each channel. True if a packet was sent."""
        if len(codes) != self.channels:
            raise ValueError("expected %d codes, got %d" % (self.channels, len(codes)))
        packet = self.packet
        end = self.end if self.scans else 6
        if not self.scans:
            self.opened = tick
            for at in range(4):
                packet[2 + at] = self.counter >> 8 * at & 255
        for code in codes:
            if self.odd:  # the low half of its first byte is there already
                packet[end - 1] |= code << 4 & 255
                packet[end] = code >> 4 & 255
                end += 1
            else:
                packet[end] = code & 255
                packet[end + 1] = code >> 8 & (15 if self.u12 else 255)
                end += 2
            self.odd = self.u12 and not self.odd
        self.end = end
        self.scans += 1
        self.counter = self.counter + 1 & 0xFFFFFFFF
        return (self.scans == self.full or self.is_due(tick)) and self.flush()

    def flush(self):
        """Send what has gathered. True if anything had."""
        if not self.scans:
            return False
        self.scans = 0
        self.odd = False
        send(self.write, bytes(self.packet[: self.end]))
        return True

    def is_due(self, tick):
        """Whether there are scans, and the first has waited for `flush_ticks`."""
        # Clocks of boards wrap at different powers of two; 2**29 is the smallest.
        return bool(self.scans and self.flush_ticks and (tick - self.opened & 0x1FFFFFFF) >= self.flush_ticks)

    def flush_due(self, tick):
        """Send what has waited for `flush_ticks`: for where no scan may come for long."""
        return self.is_due(tick) and self.flush()

    def skip(self, scans):
        """Count scans that were taken, or due, and will not be sent. Closes what has gathered."""
        sent = self.flush()
        self.counter = self.counter + scans & 0xFFFFFFFF
        return sent

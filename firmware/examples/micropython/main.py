"""Bus current and voltage of a pump drive at 500 Hz, heat sink and drive state at 10 Hz, over USB.

Copy livesense_wire.py beside this file on the board. Change pins, names and rates to your board;
bench.toml says what the codes mean. A loop in Python keeps time to some ten microseconds and is
now and then late by milliseconds: enough for a DC link, a temperature and a state, too little
for phase currents, which want a timer, an interrupt and the header in C (firmware/c).

De-energise the drive before you connect or program the board.
"""

import json
import os
import sys
import time

from livesense_wire import Batch, description
from machine import ADC, Pin

PERIOD_US = 2000
SLOW_EVERY = 50
DESCRIBE_EVERY = 500

IBUS, VBUS, T_SINK = ADC(26), ADC(27), ADC(28)
ENABLE, FAULT = Pin(14, Pin.IN), Pin(15, Pin.IN)  # the fault pin is low in a fault

ABOUT = json.dumps(
    {
        "livesense": 1,
        "device": "pump-board",
        "boot": int.from_bytes(os.urandom(4), "little"),  # another number after every reset
        "groups": [
            {
                "rate_hz": 1000000 / PERIOD_US,
                "code": "u12",
                "bits": 12,
                "channels": ["ibus", "vbus"],
            },
            {
                "rate_hz": 1000000 / PERIOD_US / SLOW_EVERY,
                "code": "u16",
                "bits": 12,
                "channels": ["t_sink", "state"],
            },
        ],
    }
)

write = sys.stdout.buffer.write
fast = Batch(write, 0, "u12", 2, 25, 50)  # 25 scans take 50 ms
slow = Batch(write, 1, "u16", 2, 1)


def run():
    """Send for ever."""
    write(b"\0")  # ends a frame that the reset cut short, and what the board said before
    due = time.ticks_us()
    passed = slow_due = tell_due = 0  # scans since boot
    while True:
        late = time.ticks_diff(time.ticks_us(), due)
        if late < 0:
            continue
        missed = late // PERIOD_US
        if missed:  # scans that were due and not taken are counted, too
            fast.skip(missed)
        # read_u16 stretches the converter's 12 bits to 16; the code is wanted as it was.
        fast.scan((IBUS.read_u16() >> 4, VBUS.read_u16() >> 4), time.ticks_ms())
        due = time.ticks_add(due, (missed + 1) * PERIOD_US)
        passed += missed + 1
        if passed > slow_due:
            more = (passed - 1 - slow_due) // SLOW_EVERY
            if more:
                slow.skip(more)
            slow.scan((T_SINK.read_u16() >> 4, ENABLE.value() | (not FAULT.value()) << 1))
            slow_due += (more + 1) * SLOW_EVERY
        if passed > tell_due:
            description(write, ABOUT)
            tell_due = passed + DESCRIBE_EVERY


run()

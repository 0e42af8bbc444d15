"""The bench file that ``init`` writes: our coolant-pump bench, with what to change beside each line."""

from __future__ import annotations

_HEAD = """\
# Bench file: what is wired to what on your bench.
# docs/bench-file.md of livesense describes every key.
#
# Change each value to what is on your bench. Leave out what you do not know:
# what is left out is said to be assumed, never counted as zero.
# Values are written with their unit: "5 mΩ" or "5 mOhm", "0.5 %", "150 uV", "20 kHz".
# Limits of error are taken from data sheets as they stand; add (k=1) or (k=2) where
# a standard or an expanded uncertainty is stated: "0.1 % (k=2)".
#
# Before you connect anything: switch the drive off, wait until its DC link is discharged
# and prove it dead with a rated meter. A probe's clip or a PC's USB shield can tie the
# drive's 0 V to earth: isolate. Follow your local codes; leave work on live parts to
# qualified people. livesense only listens and is not a protective device.

[bench]
name = "coolant pump, 24 V"
bus_voltage = "24 V"            # nominal; `check` holds the measured one against it

[link]
# port = "COM5"           # or "/dev/ttyACM0", "socket://host:port"; `livesense ports` lists what is there
baud = 3000000            # without meaning on most USB links
wire = "framed"           # or "text": one scan a line, then state bits below and a [[group]] with the rate

# A device that does not describe itself needs its groups here:
# [[group]]
# rate = "20 kHz"         # scans per second
# code = "u16"            # u16, i16, i32, u12
# channels = ["iu", "iv", "iw", "vbus"]

[adc]
bits = 12
reference = "3.3 V"
reference_tolerance = "0.2 %"   # without it 2 % is assumed
offset_error = "2 LSB"
inl = "1.5 LSB"

[motor]
kind = "permanent-magnet"       # or "induction": then rpm is the synchronous speed
pole_pairs = 5
rated_current = "6 A"           # rms
sequence = "UVW"                # what forward rotation should show
"""

_PHASE = """
[[channel]]
name = "i{letter}"                     # as the device calls it, or say: column = "its name"
phase = "{phase}"
place = "in-line"               # high-side, in-line, low-side
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = 20                       # 5 mΩ × 20: ±16.5 A at 3.3 V
gain_error = "0.3 %"
offset = "150 µV"               # at the amplifier's input, worst case
reference = "mid-supply"        # ground, supply, mid-supply, or a voltage such as "1.65 V"
supply = "adc"                  # the ADC's own reference, or a voltage such as "5 V"
plus_input = "bridge"           # the node that the + input touches: bridge or motor
bandwidth = "500 kHz"           # of the amplifier, first-order
delay = "{delay}"{pad}# when it is sampled, after the first channel
"""

_REST = """
# Where only two phases have shunts, the third can be computed instead:
# [[channel]]
# name = "iw"
# phase = "W"
# sensor = "computed"
# from = ["iu", "iv"]           # minus their sum: it can then prove nothing of its own

[[channel]]
name = "vbus"
phase = "bus"
sensor = "divider"
ratio = 11                      # bus volts per volt at the pin
ratio_tolerance = "0.5 %"

# More that can be measured; take the # away where your board has it.
# [[channel]]
# name = "t_sink"
# sensor = "ntc"                # or linear, rtd
# r25 = "10 kΩ"
# beta = "3950 K"
# pull_up = "10 kΩ"
#
# [[channel]]
# name = "state"
# sensor = "state"
# labels = {{ 0 = "off", 1 = "run", 2 = "fault" }}

# rated_current and bus_voltage above bring default rules: overload, an open phase, unbalance,
# the wrong order of the phases, a bus out of its band. docs/events.md tells them all.
# A rule of a kind stands in place of the default one; the key `off` takes it away.
[[watch]]
kind = "overcurrent"            # evidence of what happened, not protection
channels = ["iu", "iv", "iw"]
limit = "12 A"                  # peak; 6 A rms is 8.5 A peak
hold = "100 us"                 # beyond the limit for so long

# What heats rather than what peaks; take the # away. See also inverse-time and i2t.
# [[watch]]
# kind = "thermal"
# channels = ["iu", "iv", "iw"]
# pickup = "6.3 A"              # rms that is borne for ever
# tau = "600 s"
"""


def starter() -> str:
    """Write a commented bench file that loads as it is."""
    phases = "".join(
        _PHASE.format(letter=phase.lower(), phase=phase, delay=delay, pad=" " * (22 - len(delay)))
        for phase, delay in (("U", "0 us"), ("V", "0.2 us"), ("W", "0.4 us"))
    )
    return _HEAD + phases + _REST.format()

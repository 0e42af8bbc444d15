"""The bench file: what is wired to what, as frozen dataclasses in SI units."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Sensor(StrEnum):
    SHUNT = "shunt"
    LINEAR = "linear"
    DIRECT = "direct"
    DIVIDER = "divider"
    NTC = "ntc"
    RTD = "rtd"
    STATE = "state"
    COMPUTED = "computed"


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A stated limit of error; ``u`` is its standard uncertainty.

    ``relative`` parts are fractions; ``absolute`` parts are in the unit of the key.
    """

    value: float          # as stated, SI (0.005 for "0.5 %")
    k: float | None       # None: limit, rectangular (u = value/sqrt 3); else u = value/k

    @property
    def u(self) -> float:
        return self.value / (3.0**0.5 if self.k is None else self.k)


@dataclass(frozen=True, slots=True)
class LinkSettings:
    port: str | None
    baud: int
    wire: str                      # "framed", "text" (later "record")
    columns: tuple[str, ...]       # text wire without header; empty = none
    counter_bits: int              # default 32
    on_open: str | None
    dtr: bool | None
    rts: bool | None


@dataclass(frozen=True, slots=True)
class GroupSettings:               # [[group]]
    rate_hz: float | None
    code: str | None
    channels: tuple[str, ...]      # may be empty


@dataclass(frozen=True, slots=True)
class Adc:
    bits: int | None
    reference_v: float | None
    reference_tolerance: Tolerance | None   # relative
    signed: bool
    steps: int | None              # None = 2**bits
    offset_error: Tolerance | None # LSB, or relative to full scale when given in % (converted to LSB on load)
    gain_error: Tolerance | None   # relative
    inl: Tolerance | None          # LSB


@dataclass(frozen=True, slots=True)
class Motor:
    kind: str                      # "permanent-magnet" | "induction"
    pole_pairs: int | None
    rated_current_a: float | None  # rms
    sequence: str | None           # "UVW" | "UWV"
    # further constants (resistance, kt, ke, ...) may follow


@dataclass(frozen=True, slots=True)
class Channel:
    name: str
    column: str                    # default: name
    group: int | None
    phase: str | None              # "U","V","W","bus", None for "none"/unstated
    place: str                     # "high-side","in-line","low-side" (default in-line; bus: high-side)
    sensor: Sensor
    unit: str                      # "A","V","°C","" ... the unit its values are in
    bits: int | None               # overrides [adc] bits
    adc_reference_v: float | None  # overrides [adc] reference
    code_offset: int
    decimals: int | None
    # shunt
    shunt_ohm: float | None
    shunt_tolerance: Tolerance | None
    shunt_tempco_per_k: Tolerance | None
    gain: float | None
    gain_error: Tolerance | None
    offset_v: Tolerance | None     # input-referred
    offset_drift_v_per_k: Tolerance | None
    reference: str | float | None  # "ground","supply","mid-supply" or volts (outside reference)
    supply: str | float            # "adc" or volts
    plus_input: str | None         # resolved default filled in on load
    bandwidth_hz: float | None
    delay_s: float
    swing_low_v: float             # distance from the lower rail; assumed 0.05 when unstated
    swing_high_v: float
    # linear / direct / divider
    scale: float | None            # linear: unit per volt; direct: unit per code (default 1)
    zero: float | None             # linear: volts at zero (default 0); direct: codes
    ratio: float | None            # divider: bus volts per pin volt
    ratio_tolerance: Tolerance | None
    # ntc / rtd
    r25_ohm: float | None
    beta_k: float | None
    pull_up_ohm: float | None
    pull_up_v: str | float | None
    r0_ohm: float | None
    # state / computed
    labels: tuple[tuple[int, str], ...]
    source: tuple[str, ...]        # key `from`: minus the sum of these channels
    sampled_at: str | None         # "low-on","high-on","any"
    in_loop: bool
    board: str | None
    assumed: tuple[str, ...]       # bench keys left unstated that have an assumed value / are excluded from u


@dataclass(frozen=True, slots=True)
class Watch:
    kind: str                      # "overcurrent" (inverse-time, thermal, i2t: later issues)
    quantity: str                  # "instant","vector","cycle-rms"
    channels: tuple[str, ...]
    limit: float                   # in the channels' unit
    unit: str
    hold_s: float                  # default 0
    release: float                 # default 0.95 * limit
    release_hold_s: float          # default 0.05
    pre_s: float
    post_s: float


@dataclass(frozen=True, slots=True)
class Bench:
    name: str
    link: LinkSettings
    groups: tuple[GroupSettings, ...]
    adc: Adc
    motor: Motor | None
    channels: tuple[Channel, ...]
    watches: tuple[Watch, ...]
    limits: tuple[tuple[str, float, str], ...]
    text: str                      # the file as it was read
    path: str                      # "" when it came from a logbook
    warnings: tuple[str, ...]      # things that do not refuse the bench but should be said

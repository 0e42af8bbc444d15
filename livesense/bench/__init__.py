"""The bench file: what is wired to what, as frozen dataclasses in SI units.

:func:`load` and :func:`parse` read it; docs/bench-file.md describes every key.
Reading is done in :mod:`livesense.bench.reading` and what it stands on, loaded when it is needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from livesense.errors import BenchError

if TYPE_CHECKING:
    from livesense.layout import RecordLayout

LARGEST_FILE = 1 << 20
"""Bytes; a bench file has a few thousand, and a wrong file should not be read to its end."""


class Sensor(StrEnum):
    """What turns the quantity into a code."""

    SHUNT = "shunt"
    LINEAR = "linear"
    DIRECT = "direct"
    DIVIDER = "divider"
    NTC = "ntc"
    RTD = "rtd"
    STATE = "state"
    COMPUTED = "computed"


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a figure must lie within, in ``unit``; None where a side is open. Both ends are within."""

    low: float | None
    high: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Tolerance:
    """A stated limit of error.

    Attributes
    ----------
    value
        As stated: a fraction for relative ones (0.005 for "0.5 %"), else in the unit of the key.
    k
        Coverage factor where one was stated; None for a limit.
    """

    value: float
    k: float | None

    @property
    def u(self) -> float:
        """Standard uncertainty: ``value / k``, or ``value / sqrt 3`` for a limit (JCGM 100:2008, 4.3)."""
        return self.value / (3.0**0.5 if self.k is None else self.k)


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """How the bytes come in.

    ``columns`` names the columns of a text wire without header; empty where none are named.
    ``record`` is the layout of a record wire, None for the others.
    """

    port: str | None
    baud: int
    wire: str
    columns: tuple[str, ...]
    counter_bits: int
    on_open: str | None
    dtr: bool | None
    rts: bool | None
    record: RecordLayout | None = None


@dataclass(frozen=True, slots=True)
class GroupSettings:
    """One ``[[group]]``, for devices that do not describe themselves; ``channels`` may be empty."""

    rate_hz: float | None
    code: str | None
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Adc:
    """The converter. ``steps`` None means two to the power of ``bits``.

    ``reference_tolerance`` and ``gain_error`` are relative; ``offset_error`` and ``inl``
    are in LSB (percentages are of full scale and converted on reading). ``input_current_a`` flows out of
    or into the pin; the ``sampling_`` keys tell how the sampling capacitor is charged.
    """

    bits: int | None
    reference_v: float | None
    reference_tolerance: Tolerance | None
    signed: bool
    steps: int | None
    offset_error: Tolerance | None
    gain_error: Tolerance | None
    inl: Tolerance | None
    input_current_a: Tolerance | None = None
    sampling_time_s: float | None = None
    sampling_capacitance_f: float | None = None
    sampling_resistance_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """Where the bench works: its nominal bus voltage, and how far temperatures go."""

    bus_voltage_v: float | None = None
    temperature_change_k: Tolerance | None = None


@dataclass(frozen=True, slots=True)
class Motor:
    """The machine. ``kind`` is "permanent-magnet" or "induction"; ``rated_current_a`` is rms.

    ``resistance_ohm`` is that of one phase (of a star) at ``resistance_at_c``; ``winding`` the winding's
    temperature in °C, or the channel that measures it. Of ``torque_constant`` (N·m/A and of what current),
    ``voltage_constant`` (V·s per mechanical radian, and of what voltage) and ``flux_linkage_wb``
    (peak) at most one is stated. ``shaft_torque`` and ``shaft_speed`` name
    channels. ``pwm_hz`` is that of the drive's pulses.
    """

    kind: str
    pole_pairs: int | None
    rated_current_a: float | None
    sequence: str | None
    resistance_ohm: float | None = None
    resistance_tolerance: Tolerance | None = None
    resistance_at_c: float = 20.0
    winding: float | str | None = None
    torque_constant: tuple[float, str] | None = None
    voltage_constant: tuple[float, str] | None = None
    flux_linkage_wb: float | None = None
    constant_tolerance: Tolerance | None = None
    shaft_torque: str | None = None
    shaft_speed: str | None = None
    pwm_hz: float | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity and the way from it to a code.

    Keys that the sensor does not have are None (or empty). ``phase`` is "U", "V", "W",
    "bus" or None; ``place`` "high-side", "in-line" or "low-side"; ``unit`` the unit of
    the values. ``plus_input`` and the swings carry their defaults. ``scale`` is the unit
    per volt (linear) or per code (direct); ``zero`` is in volts (linear) or codes (direct).
    A thermistor has ``r25_ohm`` and ``beta_k``, or ``steinhart_hart``: A, B, C for ohms and kelvins.
    ``common_mode_rejection`` is what is left of a volt. ``temperature`` names the thermometer at the shunt.
    ``circuit`` tells several machines or lines apart.
    ``source`` holds the key ``from``. ``assumed`` lists the keys that were left out and
    have an assumed value, or whose error no uncertainty covers.
    """

    name: str
    column: str
    group: int | None
    phase: str | None
    place: str
    sensor: Sensor
    unit: str
    bits: int | None
    adc_reference_v: float | None
    code_offset: int
    decimals: int | None
    shunt_ohm: float | None
    shunt_tolerance: Tolerance | None
    shunt_tempco_per_k: Tolerance | None
    gain: float | None
    gain_error: Tolerance | None
    offset_v: Tolerance | None
    offset_drift_v_per_k: Tolerance | None
    reference: str | float | None
    supply: str | float
    plus_input: str | None
    bandwidth_hz: float | None
    delay_s: float
    swing_low_v: float
    swing_high_v: float
    scale: float | None
    zero: float | None
    ratio: float | None
    ratio_tolerance: Tolerance | None
    r25_ohm: float | None
    beta_k: float | None
    steinhart_hart: tuple[float, float, float] | None
    pull_up_ohm: float | None
    pull_up_v: str | float | None
    r0_ohm: float | None
    labels: tuple[tuple[int, str], ...]
    source: tuple[str, ...]
    sampled_at: str | None
    in_loop: bool
    board: str | None
    assumed: tuple[str, ...]
    temperature: str | None = None
    shunt_heating_k_per_w: float | None = None
    shunt_inductance_h: float = 0.0
    sense_copper_ohm: float | None = None
    gain_drift_per_k: Tolerance | None = None
    zero_tolerance: Tolerance | None = None
    rail: str | None = None
    common_mode_rejection: float | None = None
    filter_resistance_ohm: float = 0.0
    input_resistance_ohm: float | None = None
    input_resistance_tolerance: Tolerance | None = None
    source_resistance_ohm: float = 0.0
    delay_tolerance_s: Tolerance | None = None
    bandwidth_tolerance: Tolerance | None = None
    circuit: str = ""

    @property
    def quantity(self) -> str:
        """What is measured: "current", "voltage", "temperature", "state" or "number"."""
        if self.sensor is Sensor.STATE:
            return "state"
        return {"A": "current", "V": "voltage", "°C": "temperature"}.get(self.unit, "number")


@dataclass(frozen=True, slots=True)
class Watch:
    """One rule. ``limit`` and ``release`` are in ``unit``: that of its channels, or ``%`` of a share.

    The limit of an integrating rule is its pick-up, an rms; 0 where I²t has none. ``hold_scans`` is the
    least count of scans that a hold takes. ``above`` is the current (rms) below which a rule on the
    sequence of the phases, or an undervoltage that names ``currents``, says nothing; ``cycles`` its hold in
    electrical cycles, ``note`` the level of a note where ``limit`` is that of an alarm, ``sequence`` what is
    expected. ``severity`` is "alarm" or "note". ``default`` marks a rule that the file did not state.
    ``preload`` is the current (rms) that a thermal image has borne for long when it begins. ``state`` names a
    state channel, ``says`` what its codes mean (:mod:`livesense.bench.state_words`).
    """

    kind: str
    quantity: str
    channels: tuple[str, ...]
    limit: float
    unit: str
    hold_s: float
    release: float
    release_hold_s: float
    pre_s: float
    post_s: float
    longest_cycle_s: float = 0.2
    curve: str = ""
    tms: float = 1.0
    tau_s: float = 0.0
    i2t: float = 0.0
    hold_scans: int = 0
    above: float = 0.0
    cycles: int = 0
    note: float = 0.0
    sequence: str = ""
    severity: str = "alarm"
    default: bool = False
    preload: float = 0.0
    currents: tuple[str, ...] = ()
    state: str = ""
    says: tuple[tuple[int, str], ...] = ()

    @property
    def instant(self) -> bool:
        """Whether each scan by itself is held against the limit, and no rms."""
        return self.kind == "overcurrent" and self.quantity != "cycle-rms"


@dataclass(frozen=True, slots=True)
class Keep:
    """What of a run is kept while it is recorded, and how much room it may take.

    ``raw_s`` None: all raw scans are kept; ``size_bytes`` None: the logbook may grow without limit. Once raw
    scans are dropped, those of events stay: ``around_s`` before and after each at least, and of an
    event longer than ``event_s`` its beginning, peak and end.
    """

    raw_s: float | None = None
    size_bytes: int | None = None
    free_bytes: int | None = None
    around_s: float = 0.1
    event_s: float = 60.0

    @property
    def drops(self) -> bool:
        """Whether raw scans are dropped at all."""
        return self.raw_s is not None or self.size_bytes is not None


@dataclass(frozen=True, slots=True)
class Bench:
    """A whole bench file.

    ``text`` is the file as it was read, ``path`` its path ("" when it came from a
    logbook). ``warnings`` do not refuse the bench, but should be said.
    """

    name: str
    link: LinkSettings
    groups: tuple[GroupSettings, ...]
    adc: Adc
    motor: Motor | None
    channels: tuple[Channel, ...]
    watches: tuple[Watch, ...]
    limits: tuple[tuple[str, Bounds], ...]
    text: str
    path: str
    warnings: tuple[str, ...]
    conditions: Conditions = Conditions()
    keep: Keep = Keep()
    default_watches: tuple[Watch, ...] = ()

    @property
    def rules(self) -> tuple[Watch, ...]:
        """Every rule that is watched: the stated ones, then the defaults of kinds that were not stated."""
        return (*self.watches, *self.default_watches)


def load(path: Path | str) -> Bench:
    """Read a bench file.

    Raises
    ------
    BenchError
        when it cannot be read or used; the message names file, place, key, expected and got.
    """
    path = Path(path)
    name = path.name or str(path)
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except IsADirectoryError as error:
        raise BenchError(f"{name}: expected a bench file, got a directory") from error
    except FileNotFoundError as error:
        raise BenchError(
            f"{name}: expected a bench file at {path}, got nothing there; "
            "`livesense init` writes one to start from"
        ) from error
    except OSError as error:
        # Windows says "permission denied" of a directory.
        what = "a directory" if path.is_dir() else error.strerror or str(error)
        raise BenchError(f"{name}: expected a bench file that can be read, got {what}") from error
    if len(data) > LARGEST_FILE:
        raise BenchError(f"{name}: expected a bench file of at most 1 MiB, got a larger one")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise BenchError(
            f"{name}: line {line}: expected UTF-8 text, got the byte 0x{data[error.start]:02x}; "
            "save the file as UTF-8"
        ) from error
    return parse(text, str(path))


def parse(text: str, path: str = "") -> Bench:
    """Read the text of a bench file; ``path`` is for messages.

    Raises
    ------
    BenchError
        when it cannot be used; the message names file, place, key, expected and got.
    """
    from livesense.bench.reading import read_bench

    return read_bench(text, path)

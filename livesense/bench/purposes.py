"""What each key of a bench file says, for forms: words of docs/bench-file.md, held to it by a test.

Made by tests/support/purposes_from_docs.py.
"""

PURPOSES: dict[str, dict[str, str]] = {
    "bench": {
        "name": ("Name of the bench. Zero calibrations are kept under it."),
        "bus_voltage": (
            "Nominal voltage of the DC bus; what an amplifier's inputs carry in common. "
            "With it the default rules of the bus hold."
        ),
        "default_watches": ("Whether the default rules hold ([[watch]] below)."),
        "temperature_change": (
            "How far shunts and amplifiers get from the temperature at which their figures "
            "hold (25 °C, or that of a zero calibration). With it, drifts count."
        ),
    },
    "link": {
        "port": (
            "Where the bytes come from: a device name, socket://host:port, "
            "rfc2217://host:port, file:PATH or -. --port goes before it."
        ),
        "baud": ("Bits per second of a serial port."),
        "wire": ("How the scans are written: framed, text or record (docs/wire.md)."),
        "columns": (
            "Names of the columns of a text stream without a header. n is the scan counter, "
            "t_us or t_ms the device's clock."
        ),
        "counter_bits": ("Width of the counter n of a text stream, where it is not 32 bits."),
        "on_open": ("Text that is sent once after opening. Only with --allow-send."),
        "dtr": ("Level of the DTR line after opening. Only with --allow-send."),
        "rts": ("Level of the RTS line after opening. Only with --allow-send."),
        "record": ('Layout of records, see below; with wire = "record" only.'),
    },
    "link.record": {
        "sync": (
            "Bytes that begin each record, hexadecimal, up to 16. May be left out where there is a check."
        ),
        "endian": ("Which byte of a field comes first: the lowest (little) or the highest (big)."),
        "fields": (
            "Names and types in order: u8 i8 u16 i16 u24 i24 u32 i32 f32, and _:padN for N "
            "bytes of anything. n counts records, t_us or t_ms is the device's clock."
        ),
        "check": (
            "Check at the record's end: sum8, xor8, crc8, crc16-ibm-3740, crc16-modbus, crc16-xmodem, crc32."
        ),
        "check_over": ("What the check covers: the fields, or all, the sync word too."),
        "check_endian": ("Which byte of the check comes first."),
        "scans": ("Scans in one record: how often the channel fields repeat."),
        "counts": ("What n counts: records, or scans."),
    },
    "group": {
        "rate": ("Scans per second; kS/s is taken as well as kHz."),
        "code": ("Type of the codes of a framed device that does not describe itself: u16, i16, i32, u12."),
        "channels": ("Columns in their order on the wire."),
    },
    "adc": {
        "bits": (
            "Width of a code. A described device may leave it out here; a text one may not. "
            "Where both say it and differ, this one is taken, with a warning."
        ),
        "reference": (
            "Reference voltage of the converter; needed by every channel at an ADC pin that "
            "has no adc_reference."
        ),
        "reference_tolerance": ("Limit of error of the reference."),
        "signed": (
            "Codes run from −steps/2 and stand for −reference to +reference: one LSB is "
            "then 2 × reference / steps. Whatever the integer's type on the wire."
        ),
        "steps": (
            "Number of steps in the reference (or, signed, in twice the reference), where "
            "it is not two to the power of bits."
        ),
        "offset_error": ("Limit of the converter's offset error, in LSB or in per cent of full scale."),
        "gain_error": ("Limit of the converter's gain error."),
        "inl": ("Limit of its integral non-linearity, in LSB or in per cent of full scale."),
        "input_current": (
            "Limit of the current that flows into or out of a pin; with source_resistance it moves the zero."
        ),
        "sampling_time": ("How long the sampling capacitor is connected to the pin."),
        "sampling_capacitance": (
            "The sampling capacitor. With sampling_time, and with source_resistance and "
            "sampling_resistance before it, it tells how much of the last channel's voltage "
            "is left."
        ),
        "sampling_resistance": ("Resistance of the converter's own switch before that capacitor."),
    },
    "motor": {
        "kind": ("permanent-magnet or induction; with the latter rpm is the synchronous speed, and says so."),
        "pole_pairs": ("Pole pairs: rpm is 60 × electrical frequency / pole pairs."),
        "rated_current": ("Rated phase current, rms. With it the default rules of currents hold."),
        "sequence": ("Phase order that forward rotation should show: UVW or UWV."),
        "resistance": (
            "Resistance of one phase of a star, cold; half of what is measured from lead to "
            "lead (livesense walk --volts). check holds the bus power against its loss."
        ),
        "inductance_d": ("Inductance along the magnets. Not in this version."),
        "inductance_q": ("Inductance across the magnets. Not in this version."),
        "flux_linkage": (
            "Flux linkage of the magnets through one phase, peak; needs pole_pairs. At most "
            "one of this and the next two."
        ),
        "torque_constant": ("Torque per current: N·m/A, Nm/A."),
        "torque_constant_of": ("What current it is stated of: rms phase current or peak phase current."),
        "voltage_constant": ("Voltage at no load per speed of the shaft: V/krpm, V·s/rad."),
        "voltage_constant_of": (
            "What voltage it is stated of: rms line voltage, peak line voltage, rms phase "
            "voltage or peak phase voltage."
        ),
        "constant_tolerance": ("Its limit of error, whichever is stated."),
        "resistance_tolerance": ("Limit of error of resistance."),
        "resistance_at": ("Temperature at which resistance is stated."),
        "winding_temperature": (
            "The winding's temperature, or the channel that measures it: for the copper loss."
        ),
        "pwm_frequency": (
            "Frequency of the drive's pulses, to 2 %: scans that are not in step with them "
            "show their ripple (measures.md)."
        ),
        "shaft_torque": ("Channel that measures torque, in N·m: for efficiency."),
        "shaft_speed": ("Channel that measures the shaft's speed, in rpm or rad/s."),
    },
    "channel": {
        "name": ("A letter, then letters, digits, _ . -, at most 32 in all. Each once."),
        "sensor": ("shunt, linear, direct, divider, ntc, rtd, state or computed; below."),
        "phase": ("U, V, W, bus or none."),
        "circuit": (
            "Which of several machines or lines the channel belongs to. Each has its "
            "three-phase figures under its own name in three_phase_by_place; phases of "
            "different ones are never joined."
        ),
        "place": (
            "Where it sits: high-side, in-line or low-side. The bus in-line is the bus at the high side."
        ),
        "column": ("Name of its column on the wire."),
        "group": ("Number of its group, from 0; needed only where two groups have a column of this name."),
        "sampled_at": (
            "Which switch conducts when it is sampled: low-on, high-on or any. Only "
            "matching instants are compared; a chopped bus current sampled with the pulses "
            "is not its mean, and power is withheld."
        ),
        "in_loop": (
            "Whether the drive's own control uses this channel. Kept with the run; changes no figure."
        ),
        "board": (
            "Which board it sits on. Calibrations belong to a board: those of another one "
            "are not used (calibration.md)."
        ),
        "bits": ("Bits of this channel's converter, where they are not those of [adc]."),
        "adc_reference": ("Reference of this channel's converter, where it is not that of [adc]."),
        "code_offset": ("Added to the code first: 2048 where the firmware has subtracted half of 4096."),
        "decimals": ("Digits after the decimal point that a text wire keeps."),
        "delay": (
            "When this channel is sampled, after the first one. Phasors are corrected: "
            "without that, a channel sampled late appears to lead by 360° × frequency × "
            "delay."
        ),
        "bandwidth": (
            "First-order bandwidth of amplifier and filter. Phasors are corrected for the "
            "smaller amplitude and the lag."
        ),
        "delay_tolerance": ("Limit of error of delay."),
        "bandwidth_tolerance": ("Limit of error of bandwidth."),
        "shunt": ("Resistance of the shunt."),
        "shunt_tolerance": ("Limit of error of the shunt."),
        "shunt_tempco": ("Temperature coefficient of the shunt. Counts with temperature_change of [bench]."),
        "shunt_heating": (
            "How much the shunt warms per watt in it. With shunt_tempco, the error grows "
            "with the square of the current."
        ),
        "temperature": (
            "Channel of the thermometer at this shunt. shunt_tempco then counts over the "
            "change from 25 °C that was measured, instead of temperature_change and "
            "shunt_heating."
        ),
        "shunt_inductance": (
            "Inductance of the shunt. Phasors are corrected: it makes them larger, and lead."
        ),
        "sense_copper": (
            "Most copper and solder that may lie in series between the sense points. It "
            "makes readings too large; nothing is subtracted, it is taken as a limit to "
            "both sides."
        ),
        "gain": ("Gain of the amplifier."),
        "gain_error": ("Limit of error of the gain, or of a linear sensor's scale."),
        "gain_drift": ("Drift of the gain. Counts with temperature_change of [bench]."),
        "offset": (
            "Limit of the offset: of a shunt's amplifier referred to its input, of a linear "
            "sensor at its output."
        ),
        "offset_drift": ("Drift of the offset. Counts with temperature_change of [bench]."),
        "reference": (
            "What the amplifier's reference pins are tied to: ground, supply, mid-supply, "
            "or an outside voltage."
        ),
        "supply": ("Supply of the amplifier: adc where it is the ADC's own reference, else a voltage."),
        "zero_tolerance": (
            "Limit of error of the voltage that sets the zero: the outside voltage in "
            "reference, or a supply of the amplifier's own. Without effect where the zero "
            "follows the ADC's reference."
        ),
        "rail": (
            "Name of that voltage. Channels with the same one share its error: it then adds up in their sum."
        ),
        "common_mode_rejection": (
            "The least that the amplifier rejects of what both inputs carry; counts with "
            "bus_voltage of [bench], not at the low side."
        ),
        "filter_resistance": ("Resistor in each line to the amplifier's inputs."),
        "input_resistance": (
            "Resistance between the amplifier's inputs: with filter_resistance r the gain "
            "is gain × R / (R + 2 r)."
        ),
        "input_resistance_tolerance": ("Limit of error of it."),
        "source_resistance": ("Resistance before the ADC's pin."),
        "plus_input": ("The node that the amplifier's + input touches; below."),
        "swing_low": ("How near to ground the output comes."),
        "swing_high": ("How near to its supply the output comes."),
        "unit": ("Unit of the values: A, V, °C or any other."),
        "scale": (
            'Units per volt of a linear sensor, or the other way round ("40 mV/A"). Of a '
            'direct channel: units per code, as a number or as a step such as "0.1 °C".'
        ),
        "zero": ("Pin voltage of a linear sensor at zero. Of a direct channel: the code that means zero."),
        "ratio": ("Volts measured per volt at the pin: 11 for a divider of 11:1."),
        "ratio_tolerance": ("Limit of error of the ratio."),
        "r25": ("Resistance of the thermistor at 25 °C."),
        "beta": ("Its beta."),
        "steinhart_hart": (
            "The other way to state a thermistor: A, B and C of 1/T = A + B × ln R + C × (ln R)³, "
            "R in ohms and T in kelvins."
        ),
        "r0": ("Resistance of the platinum sensor at 0 °C (IEC 60751)."),
        "pull_up": ("Resistor from the pin to the pull-up voltage; the sensor lies from the pin to ground."),
        "pull_up_voltage": (
            "Voltage at the upper end of the pull-up: adc where it is the ADC's own "
            "reference, which then cancels."
        ),
        "labels": ("Word for each code."),
        "from": (
            "Channels of one group: this one is minus their sum. It is marked as computed "
            "and never stored; the residual of the three phases then says nothing."
        ),
    },
    "watch": {
        "kind": ("Kind of the rule, above."),
        "off": ("There is no default rule of this kind. No other key beside it."),
        "channels": ("Channels that are watched, each by itself (or together as a vector)."),
        "quantity": (
            "instant: each scan's magnitude. vector: the length of the current vector of "
            "the three phases, √(2/3 · (iu² + iv² + iw²)), which is flat for balanced "
            "alternating current. cycle-rms: the rms of each electrical cycle."
        ),
        "limit": (
            "Level beyond which the rule counts: a peak value (rms with cycle-rms and of "
            'overload, stall, standing), a voltage, a temperature, or a share such as "50 '
            '%"; a scan is beyond when its magnitude is above it. Within what the channel '
            "can read."
        ),
        "hold": ("How long it must stay beyond the limit to be an event."),
        "release": ("Level at or below which an event ends (above it, of an undervoltage)."),
        "release_hold": (
            "How long it must stay there. Longer than a quarter of the electrical period, "
            "or each half-wave is an event of an instant rule."
        ),
        "above": (
            "Current (rms) below which the sequence of the phases tells nothing. A bus "
            "below its limit counts only where the phases carry more, or did within the "
            "last 500 ms: a supply that is switched off does not sag."
        ),
        "cycles": ("Electrical cycles in a row that make an event."),
        "note": ("Level of a note; limit is that of an alarm."),
        "longest_cycle": (
            "Where a rule looks at cycles: one that lasts longer is cut there, as is direct "
            "current; for sequences it tells nothing. Longer than the electrical period of "
            "the slowest current."
        ),
        "state": (
            "State channel of the currents' own group: what stands while its word says that "
            "the drive aligns is no stall, what stands while it says that it runs is one at "
            "once."
        ),
        "pre": ("Time before an event that belongs to it: the waveform to look at begins so much earlier."),
        "post": ("Time after an event that belongs to it."),
        "curve": ("Curve of IEC 60255-151: A standard inverse, B very inverse, C extremely inverse."),
        "pickup": (
            "Pick-up, an rms: with thermal the current that is borne for ever. With i2t "
            "only cycles above it count. Within what the channel can read."
        ),
        "tms": ("Time multiplier of the curve."),
        "tau": ("Thermal time constant."),
        "preload": (
            "Current (rms) that was borne for long before the run began: the image starts as warm as that."
        ),
        "i2t": (
            "Integral of the current squared that trips. Without a pickup every scan "
            "counts, offset and noise too."
        ),
    },
    "limits": {
        "current_rms": ("Rms of each phase current, in each steady part."),
        "unbalance": ("Negative against positive sequence, in each steady part."),
        "residual": ("Rms of the sum of the three phase currents, in each steady part."),
        "distortion": ("Total harmonic distortion of each phase current, in each steady part."),
        "speed": ("Speed in each steady part; needs pole_pairs."),
        "bus_voltage": ("Mean bus voltage, in each steady part."),
        "input_power": ("Mean power from the bus, in each steady part."),
        "temperature": ("Each thermometer's mean, in each steady part."),
        "current_peak": (
            "Largest magnitude of a phase current in each stretch with current. Peaks "
            "between samples are not seen."
        ),
        "start_time": ("Time of each start until the speed stays within 2 % of what follows."),
        "events": ("Events in the whole run, notes apart."),
    },
    "keep": {
        "raw": (
            "How long raw scans are kept, counted in scans at the nominal rate. Older ones "
            "are dropped; what sums them up, figures and the waveforms of events stay. At "
            "least 10 s, and twice the longest pre + hold."
        ),
        "size": (
            "How large the logbook may become, the -wal file beside it included: the oldest "
            "raw scans of the run are dropped before it is larger, and once only 10 s of them are left "
            "the oldest waveforms of events. At least 64 MB."
        ),
        "free": ("Free space on the disk below which the recording stops, cleanly. At least 4 MB."),
        "around": (
            "Least time before and after each event that is kept with it; the rule's pre "
            "and post count where they are longer."
        ),
        "event": (
            "Longest waveform of an event. Of a longer one the beginning, the end (half of "
            "this each) and the surroundings of its peak are kept."
        ),
    },
}

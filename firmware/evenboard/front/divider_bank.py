# Front end: divider bank. One divider a tap into 8-channel 16-bit SPI converters (`bank_parts`) on the pack side of the
# isolation. All taps in about a millisecond, in one pass.
#
# A group is the difference of two large numbers: what two dividers differ in comes in with the whole string voltage.
# `refused` says so before anything is built. Dividers also load the string unevenly (group 1 feeds every one of them),
# so they are joined by an enable pin for the time of a scan only.
#
# A tap whose lead is off reads near 0 V, with taps above or below that do not. When all taps of a converter stand at
# one end of its range, it is asked whether it still answers before its numbers are believed.
#
# Bounds: voltages in steps of 200 uV, a 40-group string has 870,000 of them; the largest product is 2.3e8.

import time
from array import array

from evenboard.base.clock import MASK
from evenboard.front.bank_parts import FULL
from evenboard.front.front_end import FrontEnd
from evenstring_protocol import wire
from micropython import const

_CHANNELS = const(8)
_LOOKS = const(4)  # conversions of each tap that are averaged, unless the description says otherwise
_LEAK_STEPS = const(2500)  # a tap that shows 0.5 V while disconnected is not disconnected
_NOTHING_STEPS = const(2500)  # a tap under 0.5 V: its lead is off, unless every group below it is empty
_TOO_MUCH_STEPS = const(31000)  # 6.2 V across one group: no cell makes that, an open lead does
_BENT_STEPS = const(2)  # nonlinearity of such a converter, largest, steps


# Uncertainty bound in uV of the top group: two dividers against each other, and the converter's own bends.
def bound_uv(groups, mismatch_ppm):
    string_mv = groups * 4350
    return string_mv * mismatch_ppm // 1000 + string_mv * 1000 * _BENT_STEPS // 65536


# A sentence that says why this front end cannot serve here, or "".
def refused(data):
    bank = data["bank"]
    u = bound_uv(data["groups"], bank["mismatch_ppm"])
    if u > bank["claim_uv"]:
        return "divider bank: the top group is uncertain by %d uV, claimed are %d; fewer groups or better dividers" % (
            u,
            bank["claim_uv"],
        )
    if len(bank["full_mv"]) != data["groups"]:
        return "bank.full_mv must have one value a tap"
    return ""


class DividerBank(FrontEnd):
    kind = wire.FRONT_END_DIVIDER_BANK
    passes = 1

    # converters: one of `bank_parts` for each eight taps; enable: joins the dividers; bank: its section of the board
    # description (full_mv: tap voltage at the converter's full scale, tap 1..N).
    def __init__(self, converters, enable, groups, bank, sensors, clock, calibration=None):
        FrontEnd.__init__(self, groups, 1, sensors, clock, calibration)
        self._converters = converters
        self._enable = enable
        self._settle_us = bank["settle_us"]
        self.conversions = bank.get("conversions", _LOOKS)
        self._full = array("i", (mv * 5 for mv in bank["full_mv"]))
        self._taps = array("i", (0 for _ in range(groups + 1)))
        self._over = bytearray(groups + 1)

    def scan_ms(self):
        return (self._settle_us + self.conversions * (self.groups + len(self._converters)) * 60) // 1000 + 1

    # Joins nothing; sets the converters up: an absent part fails here.
    def begin(self):
        self.open_all()
        self.sensors.begin()
        for converter in self._converters:
            converter.begin()

    def open_all(self):
        self._enable.value(0)
        return True

    def _test(self):
        self._clear()
        try:
            self.begin()
            time.sleep_us(self._settle_us)
            self._sweep()
            for tap in range(1, self.groups + 1):
                if self._taps[tap] > _LEAK_STEPS:
                    self.fault = wire.FAULT_STUCK_RELAY
                    self.fault_where = tap
        except OSError as error:
            self._broke(error)

    def _whole_scan(self):
        self.sensors.start_scan()
        self._enable.value(1)
        time.sleep_us(self._settle_us)
        self._clock.service()
        self.start_low = self._clock.low
        self.start_high = self._clock.high
        began = time.ticks_us() & MASK
        self._sweep()
        self.step_us = (((time.ticks_us() & MASK) - began) & MASK) // self.groups
        if self.currents:
            self.currents[0] = self.sensors.current()
        self._enable.value(0)
        self.sensors.sample_pack(1)
        self.sensors.end_scan()
        for chip in range(len(self._converters)):
            if self._at_an_end(chip):
                time.sleep_us(self._settle_us)
                self._converters[chip].begin()  # raises when it is not there
        self._to_groups()

    # Every tap `conversions` times, in steps of 200 uV, averaged.
    def _sweep(self):
        taps = self._taps
        for tap in range(self.groups + 1):
            taps[tap] = 0
            self._over[tap] = 0
        for _ in range(self.conversions):
            for chip in range(len(self._converters)):
                converter = self._converters[chip]
                first = chip * _CHANNELS + 1
                last = self._last(chip)
                converter.next(0)
                for tap in range(first, last + 1):
                    self._take(tap, converter.next((tap - first + 1) & 7))  # asking for the next one fetches this one
        for tap in range(1, self.groups + 1):
            value = taps[tap] // self.conversions
            taps[tap] = value + (value // 64 * self._gain_ppm[tap - 1]) // 15625

    # The highest tap of a converter.
    def _last(self, chip):
        return min(chip * _CHANNELS + _CHANNELS, self.groups)

    def _take(self, tap, code):
        if code == FULL:
            self._over[tap] = 1
        full = self._full[tap - 1]
        self._taps[tap] += ((code >> 8) * full + ((code & 0xFF) * full >> 8)) >> 8

    # Whether all taps of a converter read full scale, or all nothing.
    def _at_an_end(self, chip):
        over = nothing = True
        for tap in range(chip * _CHANNELS + 1, self._last(chip) + 1):
            over = over and self._over[tap]
            nothing = nothing and self._taps[tap] < _NOTHING_STEPS
        return over or nothing

    def _to_groups(self):
        for group in range(1, self.groups + 1):
            if self._lead_open(group) or self._lead_open(group - 1):
                value = wire.LEAD_OPEN
            elif self._over[group]:
                value = wire.OVER_POSITIVE
            elif self._over[group - 1]:
                value = wire.NO_READING
            else:
                value = self._taps[group] - self._taps[group - 1] + self._offset_uv[group - 1] // wire.READING_STEP_UV
                value = max(-32765, min(32766, value))
            self.readings[group - 1] = value

    # A tap without its lead reads nothing. So do the taps of dead groups at the bottom; the next tap that reads
    # something is then one group above nothing; where leads are off it is several.
    def _lead_open(self, tap):
        taps = self._taps
        if tap == 0 or taps[tap] >= _NOTHING_STEPS:
            return False
        if tap > 1 and taps[tap - 1] >= _NOTHING_STEPS:
            return True
        for above in range(tap + 1, self.groups + 1):
            if taps[above] >= _NOTHING_STEPS:
                return taps[above] > _TOO_MUCH_STEPS
        return self.groups > 1

# Front end: divider bank. One divider a tap into 8-channel 16-bit SPI converters of the ADS8688 class on the pack side
# of the isolation (commands from memory of the data sheet). All taps in about a millisecond, in one pass.
#
# A group is the difference of two large numbers: what two dividers differ in comes in with the whole string voltage.
# `refused` says so before anything is built. Dividers also load the string unevenly (group 1 feeds every one of them),
# so they are joined by an enable pin for the time of a scan only. Interface as in `relay_scan`.
#
# Bounds: voltages in steps of 200 uV, a 40-group string has 870,000 of them; the largest product is 2.3e8.

import time
from array import array

from evenstring_protocol import wire
from micropython import const

from evenboard.clock import MASK

_CHANNELS = const(8)
_MANUAL = const(0xC0)  # high byte of "convert channel n next": | n << 2
_RANGE = const(0x05)  # address of channel 0's range register, one a channel
_TO_10V = const(0x05)  # 0 to 10.24 V
_LOOKS = const(4)  # conversions of each tap that are averaged, unless the description says otherwise
_LEAK_STEPS = const(2500)  # a tap that shows 0.5 V while disconnected is not disconnected
_NO_GROUP = const(255)


# Uncertainty bound in uV of the top group: two dividers against each other, and a step of the converter.
def bound_uv(groups, mismatch_ppm):
    string_mv = groups * 4350
    return string_mv * mismatch_ppm // 1000 + string_mv * 1000 // 65536


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


class DividerBank:
    kind = wire.FRONT_END_DIVIDER_BANK
    passes = 1

    # selects: a chip-select pin for each eight taps, low when chosen; enable: joins the dividers; bank: its section of
    # the board description (full_mv: tap voltage at the converter's full scale, tap 1..N).
    def __init__(self, spi, selects, enable, groups, bank, sensors, clock, calibration=None):
        self._spi = spi
        self._selects = selects
        self._enable = enable
        self._settle_us = bank["settle_us"]
        self.conversions = bank.get("conversions", _LOOKS)
        self.groups = groups
        self._full = array("i", (mv * 5 for mv in bank["full_mv"]))
        self._gain_ppm = array("i", (calibration or {}).get("gain_ppm") or [0] * groups)
        self._offset_uv = array("i", (calibration or {}).get("offset_uv") or [0] * groups)
        self.calibrated = bool(calibration)
        self.sensors = sensors
        self._clock = clock
        self.readings = array("h", (wire.NO_READING for _ in range(groups)))
        self.currents = array("h", (wire.NO_READING for _ in range(1))) if sensors.has_current else None
        self._taps = array("i", (0 for _ in range(groups + 1)))
        self._over = bytearray(groups + 1)
        self._out = bytearray(4)
        self._in = bytearray(4)
        self.zero_uv = 0
        self.step_us = 0
        self.turn_us = 0
        self.start_low = 0
        self.start_high = 0
        self.flags = 0
        self.settle_fails = 0
        self.bus_errors = 0
        self.fault = wire.FAULT_NONE
        self.fault_where = _NO_GROUP

    def scan_ms(self):
        return (self._settle_us + self.conversions * (self.groups + len(self._selects)) * 60) // 1000 + 1

    # Joins nothing; sets the ranges and reads them back: an absent part fails here.
    def begin(self):
        self.open_all()
        self.sensors.begin()
        for chip in range(len(self._selects)):
            for channel in range(_CHANNELS):
                self._exchange(chip, (_RANGE + channel) << 1 | 1, _TO_10V)
                self._exchange(chip, (_RANGE + channel) << 1, 0)
                if self._in[2] != _TO_10V:
                    raise OSError(5)

    def open_all(self):
        self._enable.value(0)
        return True

    def self_test(self):
        self.fault = wire.FAULT_NONE
        self.fault_where = _NO_GROUP
        try:
            self.begin()
            time.sleep_us(self._settle_us)
            self._sweep()
            for tap in range(1, self.groups + 1):
                if self._taps[tap] > _LEAK_STEPS:
                    self.fault = wire.FAULT_STUCK_RELAY
                    self.fault_where = tap
        except OSError:
            self._bus_fault()
        self.open_all()
        return self.fault == wire.FAULT_NONE

    def scan(self):
        self.fault = wire.FAULT_NONE
        self.fault_where = _NO_GROUP
        self.flags = 0 if self.calibrated else wire.SCAN_UNCALIBRATED
        try:
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
            self._to_groups()
        except OSError:
            self._bus_fault()
        self.open_all()
        return self.fault == wire.FAULT_NONE

    def _bus_fault(self):
        self.bus_errors = (self.bus_errors + 1) & 0xFFFF
        self.fault = wire.FAULT_BUS

    # One frame of 32 clocks: a command of 16 bits out; what comes in belongs to the frame before.
    def _exchange(self, chip, high, low):
        out = self._out
        out[0] = high
        out[1] = low
        pin = self._selects[chip]
        pin.value(0)
        self._spi.write_readinto(out, self._in)
        pin.value(1)

    # Every tap `conversions` times, in steps of 200 uV, averaged.
    def _sweep(self):
        taps = self._taps
        for tap in range(self.groups + 1):
            taps[tap] = 0
            self._over[tap] = 0
        for _ in range(self.conversions):
            for chip in range(len(self._selects)):
                first = chip * _CHANNELS + 1
                last = min(first + _CHANNELS - 1, self.groups)
                for tap in range(first, last + 2):  # one more frame fetches the last
                    self._exchange(chip, _MANUAL | ((tap - first) & 7) << 2, 0)
                    if tap > first:
                        self._take(tap - 1)
        for tap in range(1, self.groups + 1):
            value = taps[tap] // self.conversions
            taps[tap] = value + (value // 64 * self._gain_ppm[tap - 1]) // 15625

    def _take(self, tap):
        high = self._in[2]
        low = self._in[3]
        if high == 0xFF and low == 0xFF:
            self._over[tap] = 1
        full = self._full[tap - 1]
        self._taps[tap] += (high * full + (low * full >> 8)) >> 8

    def _to_groups(self):
        for group in range(1, self.groups + 1):
            if self._over[group]:
                value = wire.OVER_POSITIVE
            elif self._over[group - 1]:
                value = wire.NO_READING
            else:
                value = self._taps[group] - self._taps[group - 1] + self._offset_uv[group - 1] // wire.READING_STEP_UV
                value = max(-32765, min(32766, value))
            self.readings[group - 1] = value

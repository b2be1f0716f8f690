# Front end: relay scan. Reads one group at a time, out (1..N) and back (N..1), through one isolated converter.
#
# A front end is a class with `groups`, `begin()`, `scan()`, `open_all()` and `self_test()`; it leaves its results in
# `readings` (array of 2N, out pass then back pass, both in the order of the groups, in steps of 200 uV or a reading
# code), `currents` (same order, 10 mA) or None, `step_us`, `turn_us`, `flags`, and its troubles in `fault`, `fault_where`.
# Nothing is allocated in `scan`.
#
# Even taps are on one input of the converter, odd taps on the other, so polarity alternates from group to group and an
# offset of the converter would show as a comb: the zero is read in every scan and subtracted.

import time
from array import array

from evenstring_protocol import wire
from micropython import const

from evenboard.ads111x import FULL_SCALE

_SUSPECT_UV = const(500000)  # a group this low is looked at twice: dead, or its lead open
_DEAD_UV = const(100000)
_STUCK_UV = const(200000)
_ZERO_LIMIT_UV = const(5000)  # a zero beyond this is not believable
_SETTLE_LIMIT_UV = const(1500)
_NO_GROUP = const(255)


class RelayScan:
    def __init__(self, mux, adc, groups, settle_us, current=None, current_scale=None, calibration=None):
        self._mux = mux
        self._adc = adc
        self.groups = groups
        self._settle_us = settle_us
        self._current = current
        self._current_zero_uv, self._uv_per_a = current_scale or (0, 1)
        self.readings = array("h", (0 for _ in range(2 * groups)))
        self.currents = array("h", (0 for _ in range(2 * groups))) if current else None
        self._offset_uv = array("i", (calibration or {}).get("offset_uv") or [0] * groups)
        self._gain_ppm = array("i", (calibration or {}).get("gain_ppm") or [0] * groups)
        self._uv = array("i", (0 for _ in range(groups)))  # latest reading of each group
        self.calibrated = bool(calibration)
        self.zero_steps = 0
        self.zero_uv = 0
        self.step_us = 0
        self.turn_us = 0
        self.flags = 0
        self.moved = 0  # largest change of a reading since the scan before, steps
        self.settle_fails = 0
        self.bus_errors = 0
        self.fault = wire.FAULT_NONE
        self.fault_where = _NO_GROUP
        self._settle_at = 0  # group whose settling is checked in this scan, rotates
        self._begin_us = 0

    # Time of one scan from the parts' own times, in ms.
    def scan_ms(self):
        mux = self._mux
        step = mux.relay_on_us + mux.relay_off_us + self._settle_us + self._adc.convert_us + 700
        return step * (2 * self.groups + 5) // 1000

    def begin(self):
        self._mux.begin()
        self._mux.open_all()

    def open_all(self):
        return self._mux.open_all()

    # At boot: parts answer, zero is near zero, no relay stuck. True when all is well.
    def self_test(self):
        self.fault = wire.FAULT_NONE
        try:
            self._read_zero()
            if self.fault == wire.FAULT_NONE:
                self._test_stuck()
        except OSError:
            self._bus_fault()
        self.open_all()
        return self.fault == wire.FAULT_NONE

    # One scan, out and back. True when it is whole; on a fault everything is commanded open and False comes back.
    def scan(self):
        self.fault = wire.FAULT_NONE
        self.fault_where = _NO_GROUP
        self.flags = 0 if self.calibrated else wire.SCAN_UNCALIBRATED
        self.moved = 0
        n = self.groups
        try:
            self._read_zero()
            if self.fault == wire.FAULT_NONE:
                self._test_stuck()
            if self.fault != wire.FAULT_NONE:
                self.open_all()
                return False
            first = self._begin_us
            for group in range(1, n + 1):
                self._read_group(group, group - 1)
                if group == 1:
                    first = self._begin_us
            last = self._begin_us
            turn = last
            for group in range(n, 0, -1):
                self._read_group(group, n + group - 1)
                if group == n:
                    turn = self._begin_us
        except OSError:
            self._bus_fault()
            self.open_all()
            return False
        if n > 1:
            self.step_us = time.ticks_diff(last, first) // (n - 1)
        self.turn_us = time.ticks_diff(turn, last)
        self._settle_at = self._settle_at + 1 if self._settle_at < n else 1
        return self.open_all()

    def _bus_fault(self):
        self.bus_errors += 1
        self.fault = wire.FAULT_BUS

    # Converter steps with everything set and settled; the current is taken at the same instant.
    def _convert(self, slot):
        current = self._current
        self._begin_us = time.ticks_us()
        self._adc.start()
        if slot >= 0 and current:
            current.start()
        time.sleep_us(self._adc.convert_us)
        steps = self._adc.read()
        if slot >= 0 and current:
            uv = current.to_uv(current.read()) - self._current_zero_uv
            self.currents[slot] = uv * 100 // self._uv_per_a
        return steps

    def _read_zero(self):
        self._mux.close_zero()
        time.sleep_us(self._settle_us)
        steps = self._convert(-1)
        uv = self._adc.to_uv(steps)
        if uv > _ZERO_LIMIT_UV or uv < -_ZERO_LIMIT_UV:
            self.fault = wire.FAULT_ADC
            return
        self.zero_steps = steps
        self.zero_uv = uv

    # One relay closed on one line: any voltage means that a relay of the other line conducts too.
    def _test_stuck(self):
        for tap in (0, 1):
            self._mux.close_zero()
            self._mux.close_tap(tap)
            time.sleep_us(self._settle_us)
            uv = self._adc.to_uv(self._convert(-1) - self.zero_steps)
            if uv > _STUCK_UV or uv < -_STUCK_UV:
                self.fault = wire.FAULT_STUCK_RELAY
                self.fault_where = 1 - tap  # the line of the stuck one: 0 even taps, 1 odd taps
                return

    def _read_group(self, group, slot):
        self._mux.close_group(group)
        time.sleep_us(self._settle_us)
        steps = self._convert(slot)
        began_us = self._begin_us
        if steps >= FULL_SCALE or steps <= -FULL_SCALE - 1:
            self._store(slot, wire.OVER_POSITIVE if (steps > 0) == (not group & 1) else wire.OVER_NEGATIVE)
            return
        uv = self._signed_uv(group, steps)
        if group == self._settle_at:
            again = self._signed_uv(group, self._convert(-1))
            if again - uv > _SETTLE_LIMIT_UV or uv - again > _SETTLE_LIMIT_UV:
                self.settle_fails += 1
                self.flags |= wire.SCAN_UNSETTLED
        if uv < _SUSPECT_UV and self.groups > 1:
            uv = self._look_again(group)
            if uv == wire.LEAD_OPEN:
                self._store(slot, wire.LEAD_OPEN)
                return
        self._begin_us = began_us
        uv = self._calibrated(group, uv)
        change = uv - self._uv[group - 1]
        self._uv[group - 1] = uv
        change = (change if change >= 0 else -change) // wire.READING_STEP_UV
        if change > self.moved:
            self.moved = change
        self._store(slot, (uv + wire.READING_STEP_UV // 2) // wire.READING_STEP_UV)

    # Even groups have their positive tap on the even line, which is the positive input.
    def _signed_uv(self, group, steps):
        uv = self._adc.to_uv(steps - self.zero_steps)
        return -uv if group & 1 else uv

    # A group near or below zero: is it so, or is a lead open? With the lines discharged first, both read zero; charged
    # from a neighbour first, an open lead leaves the charge where it is and a dead group takes it away.
    def _look_again(self, group):
        self._mux.close_zero()
        self._mux.close_group(group)
        time.sleep_us(self._settle_us)
        empty = self._signed_uv(group, self._convert(-1))
        if empty < -_DEAD_UV or empty > _DEAD_UV:
            return empty
        neighbour = group + 1 if group < self.groups else group - 1
        self._mux.close_group(neighbour)
        time.sleep_us(self._settle_us)
        charge = self._signed_uv(group, self._convert(-1))
        if charge < _SUSPECT_UV and charge > -_SUSPECT_UV:
            return wire.LEAD_OPEN if group > 1 and group < self.groups else empty
        self._mux.close_group(group)
        time.sleep_us(self._settle_us)
        held = self._signed_uv(group, self._convert(-1))
        return wire.LEAD_OPEN if held < -_DEAD_UV or held > _DEAD_UV else empty

    # Offset and gain in fixed point: v + (v // 64 * ppm) // 15625, largest product 6.9e8.
    def _calibrated(self, group, uv):
        uv += self._offset_uv[group - 1]
        return uv + (uv // 64 * self._gain_ppm[group - 1]) // 15625

    def _store(self, slot, value):
        self.readings[slot] = value

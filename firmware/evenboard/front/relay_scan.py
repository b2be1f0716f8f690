# Front end: relay scan. Reads one group at a time, out (1..N) and back (N..1), through one isolated converter.
#
# Even taps are on one input of the converter, odd taps on the other, so polarity alternates from group to group and an
# offset of the converter would show as a comb: the zero is read in every scan and subtracted.
#
# Doubtful groups (near zero, reversed) are looked at again after both passes, so that the passes keep an even pace.

import time

from evenboard import load, unload
from evenboard.base.clock import MASK
from evenboard.front.adc_ads111x import OVER
from evenboard.front.front_end import NO_GROUP, FrontEnd
from evenstring_protocol import wire
from micropython import const

_DOUBT_UV = const(500000)  # a group this low is looked at again: dead, reversed, or a lead open
_OVER_UV = const(4900000)  # no cell reads that: leads swapped or touching; clamps hold the lines to 5.1 V or more
_STUCK_UV = const(150000)  # with one relay closed there is nothing to see unless one of the other line conducts
_ZERO_LIMIT_UV = const(5000)  # a zero beyond this is not believable
_FEW_GROUPS = const(8)  # two leads far apart, swapped, put four groups beyond the range
_NOTHING_UV = const(50000)
_SETTLE_LIMIT_UV = const(2000)
_BUS_US = const(700)  # transfers and interpreter in one step
_CHARGES = const(3)  # other groups to charge the lines from before a doubtful one is taken for dead
_NEAR = (2, -2, 4, -4, 6, -6, 1, -1, 3, -3, 5, -5)
_AGAIN_US = const(500)  # the same in each further conversion of a reading


class RelayScan(FrontEnd):
    kind = wire.FRONT_END_RELAY_SCAN
    passes = 2

    # times: relay on, relay off, settling (us); free_bus(): gets a hung bus going again, returns nothing.
    # `conversions`, set before `begin`: how many of the converter's are averaged into one reading, 1 to 16.
    def __init__(self, mux, adc, groups, times, sensors, clock, calibration=None, free_bus=None):
        FrontEnd.__init__(self, groups, 2, sensors, clock, calibration)
        self.conversions = 1
        self.mux = mux
        self._free_bus = free_bus
        self.adc = adc
        self._on_us, self._off_us, settle_us = times
        self.wait_us = self._on_us + settle_us
        self._zero16 = None
        self._taken_us = 0
        self._test_tap = 0

    # Time of one scan from the parts' own times, in ms: both passes, the zero and the two tests for stuck relays, which
    # alone take one conversion each.
    def scan_ms(self):
        step = self._off_us + self.wait_us + self.adc.conversion_us + _BUS_US
        again = (self.conversions - 1) * (self.adc.conversion_us + _AGAIN_US)
        packs_us = 3 * 1500 * (1 if self.sensors.packs else 0)
        return (step * (2 * self.groups + 4) + again * (2 * self.groups + 2) + packs_us) // 1000

    def begin(self):
        self.mux.begin()
        self.adc.begin()
        self.sensors.begin()

    # Command everything open. True when the parts took it.
    def open_all(self):
        if self.island and not self.island.is_on:
            return True  # was done before, and nothing there answers now
        try:
            self.mux.open_all()
        except Exception as error:
            self._broke(error)
            return False
        return True

    # What `self_test` asks is loaded for it alone.
    def _test(self):
        self._clear()
        try:
            if self._free_bus:
                self._free_bus()
            self.begin()
            load("front.relay_test").run(self)
        except OSError as error:
            self._broke(error)
        unload("front.relay_test")

    def _whole_scan(self):
        if not self.read_zero() or not self._no_stuck():
            return
        self.sensors.start_scan()
        if not self._passes():
            return
        self._settle_check()
        self.sensors.end_scan()
        if self._amiss():
            return
        for group in range(1, self.groups + 1):
            if self._doubtful(group):
                self._look_again(group)
        self.mux.open_all()
        if not self.mux.is_open():
            self.fault = wire.FAULT_MUX

    def _passes(self):
        n = self.groups
        first = last = turn = 0
        for group in range(1, n + 1):
            if not self._read_into(group, group - 1, True):
                return False
            if group == 1:
                first = self._taken_us
                self._clock.service()
                self.start_low = self._clock.low
                self.start_high = self._clock.high
        last = self._taken_us
        self.sensors.sample_pack(1)
        for group in range(n, 0, -1):
            # at the turn the pair is still closed: its second look tells whether the first had settled
            if not self._read_into(group, n + group - 1, group < n):
                return False
            if group == n:
                turn = self._taken_us
        if n > 1:
            self.step_us = ((last - first) & MASK) // (n - 1)
        self.turn_us = (turn - last) & MASK
        return True

    # Voltage between the lines, even minus odd, uV; None when the converter does not finish (the fault is set).
    def convert(self):
        self.mux.keep_alive()
        self._taken_us = time.ticks_us() & MASK
        self.adc.start()
        uv = self.adc.read()
        if uv is None:
            self.fault = wire.FAULT_ADC
        elif uv > _OVER_UV:
            return OVER
        elif uv < -_OVER_UV:
            return -OVER
        return uv

    # Mean of `conversions`, rounded; the sum is at most 16 x 6.2e6. One at an end of the range stands for all.
    def _average(self):
        uv = self.convert()
        more = self.conversions - 1
        if more == 0 or uv is None or uv >= OVER or uv <= -OVER:
            return uv
        taken_us = self._taken_us
        total = uv
        for _ in range(more):
            uv = self.convert()
            self._taken_us = taken_us  # the instant of the first: the same delay in all readings
            if uv is None or uv >= OVER or uv <= -OVER:
                return uv
            total += uv
        return (total + (self.conversions >> 1)) // self.conversions

    def read_zero(self):
        self.mux.close_zero()
        if not self.mux.is_zero():
            self.fault = wire.FAULT_MUX
            return False
        time.sleep_us(self.wait_us)
        uv = self._average()
        if uv is None or uv > _ZERO_LIMIT_UV or uv < -_ZERO_LIMIT_UV:
            self.fault = wire.FAULT_ADC
            return False
        # Mean of about 16 scans: the noise of one zero would show as a comb in all readings.
        self._zero16 = uv * 16 if self._zero16 is None else self._zero16 + uv - (self._zero16 >> 4)
        self.zero_uv = self._zero16 >> 4
        return True

    # A group's voltage with its sign, zero subtracted. Even groups have their positive tap on the even line.
    def _read(self, group):
        self.mux.close_group(group)
        time.sleep_us(self.wait_us)
        return self._signed(group)

    def _signed(self, group):
        uv = self._average()
        if uv is None:
            return None
        if uv < OVER and uv > -OVER:
            uv -= self.zero_uv
        return -uv if group & 1 else uv

    def _read_into(self, group, slot, switch):
        uv = self._read(group) if switch else self._signed(group)
        if uv is None:
            return False
        if self.currents:
            self.currents[slot] = self.sensors.current()
        self.readings[slot] = self._steps(group, uv)
        # A relay that failed in this scan shows as about nothing, or as more than any group: look at once.
        if (uv < _STUCK_UV and uv > -_STUCK_UV) or uv >= OVER or uv <= -OVER:
            if not self._no_stuck():
                return False
            self.mux.close_group(group)  # the turn and the settle check read on
            time.sleep_us(self.wait_us)
        return True

    # Steps of 200 uV, calibrated: v + (v // 64 * ppm) // 15625, largest product 6.9e8.
    def _steps(self, group, uv):
        if uv >= OVER:
            return wire.OVER_POSITIVE
        if uv <= -OVER:
            return wire.OVER_NEGATIVE
        uv += self._offset_uv[group - 1]
        uv += (uv // 64 * self._gain_ppm[group - 1]) // 15625
        return (uv + 100) // 200

    # The way back read group N again without switching, and group 1 is read again now: both must agree.
    def _settle_check(self):
        n = self.groups
        again = self._signed(1)
        if again is None:
            return
        first = self._steps(1, again) - self.readings[n]
        last = self.readings[2 * n - 1] - self.readings[n - 1]
        limit = _SETTLE_LIMIT_UV // wire.READING_STEP_UV
        if (first > limit or first < -limit) and (last > limit or last < -limit):
            self.settle_fails = (self.settle_fails + 1) & 0xFFFF
            self.flags |= wire.SCAN_UNSETTLED

    # An open lead shows in the groups on both sides of it, so a group next to a doubtful one is doubtful too.
    def _doubtful(self, group):
        n = self.groups
        limit = _DOUBT_UV // wire.READING_STEP_UV
        for g in range(group - 1 if group > 1 else 1, group + 2 if group < n else n + 1):
            if self.readings[g - 1] < limit or self.readings[n + g - 1] < limit:
                return True
        return False

    # Dead, reversed, or a lead open? Read it once with the lines discharged in their place and then charged from other
    # groups. A group that is there pulls the lines to its own voltage each time; an open lead leaves them as they were.
    # A line that hangs free comes along only in part (`Mux.close_tap`), so that one charge alone could look like none.
    def _look_again(self, group):
        n = self.groups
        self.mux.close_loaded(group)
        time.sleep_us(self.wait_us)
        self.mux.release_zero()
        time.sleep_us(self.wait_us)
        empty = self._signed(group)
        if empty is None:
            return
        value = self._steps(group, empty)
        other = self._healthy_near(group, 0)
        if not other and -_NOTHING_UV < empty < _NOTHING_UV:
            value = wire.LEAD_OPEN  # nothing anywhere: the plug is out rather than every group dead
        for _ in range(_CHARGES):
            if not other:
                break
            if self._read(other) is None:
                return
            charged = self._read(group)
            if charged is None:
                return
            if charged - empty > _DOUBT_UV or empty - charged > _DOUBT_UV:
                value = wire.LEAD_OPEN
                break
            other = self._healthy_near(group, other)
        self.readings[group - 1] = value
        self.readings[n + group - 1] = value

    # The zero relay conducts unasked: a group reads a twentieth of itself, and nothing stays on the lines when it goes.
    def zero_sticks(self, group):
        uv = self._read(group)
        if uv is None or -_NOTHING_UV < uv < _NOTHING_UV or uv >= OVER or uv <= -OVER:
            return False
        self.mux.open_all()
        time.sleep_us(self.wait_us)
        left = self._signed(group)
        if left is None or not -1 < 3 * left // uv < 1:
            return False
        self.fault = wire.FAULT_STUCK_RELAY
        self.fault_where = NO_GROUP
        return True

    # No harness does that: most groups beyond the range (a decoder drives more than it is told), or the zero relay.
    def _amiss(self):
        over = 0
        for group in range(self.groups):
            r = self.readings[group]
            over += r == wire.OVER_POSITIVE or r == wire.OVER_NEGATIVE
        if 2 * over > self.groups >= _FEW_GROUPS:
            self.fault = wire.FAULT_MUX
        elif not self._healthy_near(1, 0):
            for group in range(1, self.groups + 1):
                if self.zero_sticks(group):
                    break
        return self.fault != wire.FAULT_NONE

    # The nearest group with a voltage to charge the lines with, same polarity first, or the next one after `before`; 0:
    # there is none.
    def _healthy_near(self, group, before):
        limit = _DOUBT_UV // wire.READING_STEP_UV
        n = self.groups
        for step in _NEAR:
            other = group + step
            if before:
                if other == before:
                    before = 0
            elif 1 <= other <= n and self.readings[other - 1] >= limit and self.readings[n + other - 1] >= limit:
                return other
        return 0

    # One relay of each line alone: any voltage means that a relay of the other line conducts too. Taps take turns.
    def _no_stuck(self):
        tap = self._test_tap
        self._test_tap = tap + 1 if tap < self.groups else 0
        for k in range(2):
            alone = tap + k if tap + k <= self.groups else tap - 1
            if not self.tap_is_dead(alone):
                self.name_stuck(alone)
                return False
        return self.fault == wire.FAULT_NONE

    def tap_is_dead(self, tap):
        uv = self._alone(tap)
        return uv is None or -_STUCK_UV < uv - self.zero_uv < _STUCK_UV

    # Between the lines while one relay alone is closed and the other line hangs free.
    def _alone(self, tap):
        self.mux.close_tap(tap)
        time.sleep_us(self.wait_us)
        self.mux.release_zero()
        time.sleep_us(self.wait_us)
        return self.convert()

    # Some relay of the other line conducts. One tap alone shows by its sign whether that relay sits above it or below:
    # few closings find it, each of which puts volts across it. Then give up.
    def name_stuck(self, tap):
        self.mux.open_all()
        odd = tap & 1
        low = 0
        high = (self.groups - odd) >> 1
        where = NO_GROUP
        while low <= high:
            seen = ((low + high) & -2) + odd
            uv = self._alone(seen)
            if uv is None or -_STUCK_UV < uv < _STUCK_UV:
                where = NO_GROUP  # a dead group between, or it let go
                break
            if (uv < 0) == (odd == 0):  # even minus odd
                low = (seen >> 1) + 1
                where = seen + 1
            else:
                high = (seen >> 1) - 1
                where = seen - 1
        self.fault = wire.FAULT_STUCK_RELAY
        self.fault_where = where

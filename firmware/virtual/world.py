# The pack, the relays and the bus lines behind the virtual parts, and the watch over them.
#
# Physics: a line joined to taps takes their mean voltage (equal series resistors) with the time constant of both series
# resistors and the bus capacitance; with one line alone, or none, what the converter sees drains through its bias
# resistors; the zero relay shorts the lines through a resistor.
# The watch: relays take up to `off_us` to open and are taken to close at once. Any moment when two relays of one line,
# two that are not neighbours, or a relay and the zero relay conduct by command is written down in `crimes`.

import math
import random

import vtime

RS_OHM = 10000
BUS_PF = 3000
BIAS_OHM = 2000000
ZERO_OHM = 1000
ALIVE_US = 50000
OFF_US = 1000
NONE = -1


class World:
    def __init__(self, trace, faults=(), seed=1):
        self.trace = trace
        self.faults = list(faults)
        self.groups = trace.groups
        self.crimes = []
        self.closings = 0
        self.even = self.odd = NONE  # commanded taps
        self.zero = False
        self._released = {}  # tap or "zero" -> instant (ms, us) until which it may conduct
        self._kick = (-1000, 0)
        self._volts = 0.0
        self._since = (vtime.ms, vtime.us)
        self._noise = random.Random(seed) if hasattr(random, "Random") else random
        if self._noise is random:
            random.seed(seed)

    def over(self):
        return vtime.ms > self.trace.end_ms

    # --- commands of the parts

    def kick(self):
        self._lapse()
        self._kick = (vtime.ms, vtime.us)

    def _alive(self):
        return vtime.since_us(self._kick[0], self._kick[1]) < ALIVE_US

    # A one-shot that ran out opens everything.
    def _lapse(self):
        if not self._alive() and (self.even != NONE or self.odd != NONE or self.zero):
            self._settle()
            self.even = self.odd = NONE
            self.zero = False

    # What the decoders' inputs say: taps or NONE.
    def command(self, even, odd, zero):
        self._settle()
        self._lapse()
        if not self._alive():
            even = odd = NONE
            zero = False
        for name, old, new in (("even", self.even, even), ("odd", self.odd, odd), ("zero", self.zero, zero)):
            if old != new and old not in (NONE, False):
                self._released["zero" if name == "zero" else old] = (vtime.ms, vtime.us)
        self.even, self.odd, self.zero = even, odd, zero
        if even != NONE or odd != NONE or zero:
            self.closings += 1
            self._watch()

    def _watch(self):
        taps = {t for t in (self.even, self.odd) if t != NONE}
        zero = self.zero
        for name, (ms, us) in self._released.items():
            if vtime.since_us(ms, us) < OFF_US:
                if name == "zero":
                    zero = True
                else:
                    taps.add(name)
        for line in (0, 1):
            if len([t for t in taps if t & 1 == line]) > 1:
                self._crime("two on one line", taps)
        if taps and max(taps) - min(taps) > 1:
            self._crime("not neighbours", taps)
        if taps and zero:
            self._crime("zero relay across a group", taps)

    def _crime(self, what, taps):
        if len(self.crimes) < 20:
            self.crimes.append((what, sorted(taps), vtime.ms))

    # --- what the lines do

    def active(self, kind):
        s = vtime.ms / 1000
        for fault in self.faults:
            if (
                fault["kind"] == kind
                and fault.get("start_s", 0) <= s
                and (fault.get("end_s") is None or s < fault["end_s"])
            ):
                yield fault

    def sum_of(self, kind, key):
        return sum(fault[key] for fault in self.active(kind)) if self.faults else 0

    def group_uv(self, group):
        uv = self.trace.value(group, vtime.ms)
        if self.faults:
            uv += sum(f["uv"] for f in self.active("channel_offset") if f["group"] == group)
            hours = vtime.ms / 3600000
            uv += sum(
                f["uv_per_h"] * (hours - f.get("start_s", 0) / 3600)
                for f in self.active("drift")
                if f["group"] == group
            )
        return uv

    def _tap_uv(self, tap):
        return sum(self.group_uv(g) for g in range(1, tap + 1))

    def _is_open(self, tap):
        for fault in self.active("lead_open"):
            if fault["tap"] == tap:
                return True
        for fault in self.active("lead_intermittent"):
            if fault["tap"] == tap and vtime.ms % (fault["open_ms"] + fault["closed_ms"]) < fault["open_ms"]:
                return True
        return False

    def _wired_to(self, tap):
        for fault in self.active("swapped_leads"):
            if tap == fault["tap"]:
                return fault["other_tap"]
            if tap == fault["other_tap"]:
                return fault["tap"]
        return tap

    # (voltage the lines go to, time constant in us)
    def _aim(self):
        if self.faults:
            return self._aim_with_faults()
        if self.even != NONE and self.odd != NONE:
            group = max(self.even, self.odd)
            uv = (
                self.group_uv(group)
                if abs(self.even - self.odd) == 1
                else self._tap_uv(group) - self._tap_uv(min(self.even, self.odd))
            )
            return (uv if self.even > self.odd else -uv), 2 * RS_OHM * BUS_PF / 1e6
        return 0, (ZERO_OHM if self.zero else BIAS_OHM) * BUS_PF / 1e6

    def _aim_with_faults(self):
        even = {self.even} if self.even != NONE else set()
        odd = {self.odd} if self.odd != NONE else set()
        for fault in self.active("stuck_relay"):
            (odd if fault["tap"] & 1 else even).add(fault["tap"])
        even = [self._wired_to(t) for t in even if not self._is_open(t)]
        odd = [self._wired_to(t) for t in odd if not self._is_open(t)]
        if even and odd:
            uv = sum(self._tap_uv(t) for t in even) / len(even) - sum(self._tap_uv(t) for t in odd) / len(odd)
            if self.zero:
                uv = uv * ZERO_OHM / (ZERO_OHM + 2 * RS_OHM)
            return uv, 2 * RS_OHM * BUS_PF / 1e6
        return 0, (ZERO_OHM if self.zero else BIAS_OHM) * BUS_PF / 1e6

    def _settle(self):
        aim, tau_us = self._aim()
        gone = vtime.since_us(self._since[0], self._since[1])
        ratio = gone / tau_us
        self._volts = aim + (self._volts - aim) * math.exp(-ratio) if ratio < 40 else aim
        self._since = (vtime.ms, vtime.us)

    # Between the lines, even minus odd, with noise and the converter's own errors.
    def line_uv(self, noise_uv):
        self._lapse()
        self._settle()
        uv = self._volts
        if self.faults:
            uv += uv * self.sum_of("gain", "ppm") / 1e6 + self.sum_of("converter_offset", "uv")
            noise_uv += self.sum_of("noise", "uv")
        return uv + noise_uv * self._gauss()

    # Sum of four even numbers, standard deviation one.
    def _gauss(self):
        bits = self._noise.getrandbits(28)
        return ((bits & 127) + (bits >> 7 & 127) + (bits >> 14 & 127) + (bits >> 21) - 254) / 73.9

    def current_ma(self):
        return self.trace.value(0, vtime.ms)

    def pack_uv(self):
        return self._tap_uv(self.groups)

    def temp(self, channel):
        if channel >= self.trace.temps:
            return None
        return self.trace.value(1 + self.groups + channel, vtime.ms)

# The pack, the relays and the bus lines behind the virtual parts, and the watch over them.
#
# Physics: a line joined to taps takes their mean voltage (equal series resistors) with the time constant of both series
# resistors and the bus capacitance; with one line alone, or none, what the converter sees drains through its bias
# resistors; the zero relay shorts the lines through a resistor. The clamps let no more than `CLAMP_UV` stand between
# them. A line that hangs free is held back by its open relays (`FREE_SHARE`) when the other one goes to a tap far
# away, unless the zero resistor joined them on the way: hardware_notes/circuits/alone.cir.
# The watch: relays take up to `OFF_US` to open and are taken to close at once. Any moment when two relays of one line,
# two that are not neighbours, or one that closes while the zero relay still opens or the other way about, is written
# down in `crimes`. On purpose the zero resistor may be closed across one group: it is small against the leads.
# Without faults nothing here allocates.

from array import array

import vtime
from decay import decayed
from faults import Faults
from micropython import const

RS_OHM = 10000
BUS_PF = 3000
BIAS_OHM = 2235000  # half of what loads the lines: bias, and the converter's inputs
ZERO_OHM = 1000
CLAMP_UV = const(5900000)
FREE_SHARE = const(53)  # of 256: open relays and lead of a line, 1.3 nF, against its 5 nF to the other line
ALIVE_US = const(50000)
OFF_US = const(1000)
NONE = const(-1)


# Noise of standard deviation 1000: sums of four even numbers from a small generator (xorshift of 16 bits, 7-9-8). A
# prime length, so that it never falls into step with a scan.
def noise_table(seed, length=1021):
    table = array("h", bytes(2 * length))  # at once: a growing one breaks up a small heap
    r = seed & 0xFFFF or 1
    for i in range(length):
        total = 0
        for _ in range(4):
            r ^= (r << 7) & 0xFFFF
            r ^= r >> 9
            r ^= (r << 8) & 0xFFFF
            total += r
        table[i] = (total - 131072) * 1000 // 37838
    return table


def clamped(uv):
    return max(-CLAMP_UV, min(CLAMP_UV, uv))


class World:
    def __init__(self, trace, faults=(), seed=1, series_ohm=RS_OHM, bus_pf=BUS_PF):
        self.trace = trace
        self.groups = trace.groups
        self.faults = Faults(self, faults) if faults else None
        self.crimes = []
        self.closings = 0
        self.loads = 0  # times a group was closed with the zero resistor across it
        self.even = self.odd = NONE  # taps that conduct by command
        self.zero = False
        self._asked_even = self._asked_odd = NONE  # what the decoders' inputs say, whether they are enabled or not
        self._asked_zero = False
        self._left = [NONE, NONE, NONE]  # last even tap, odd tap, and 0 for the zero relay, told to open
        self._left_ms = [-1000, -1000, -1000]
        self._left_us = [0, 0, 0]
        self._kick_ms = -1000
        self._kick_us = 0
        self._volts = 0
        self._since_ms = vtime.ms
        self._since_us = vtime.us
        self._held_even = self._held_odd = NONE - 1  # relays that closed while the zero resistor joined the lines
        self._pair_even = 0  # even tap of the last pair that was looked at; NONE: a single line since
        self._at_line = 0  # that single line, even or odd, and where it stood
        self._at_uv = 0
        self._noise = noise_table(seed)
        self._noise_at = 0
        self.loop_ohm = 2 * series_ohm
        self.pair_tau_us = max(1, 2 * (series_ohm // 10) * (bus_pf // 10) // 10000)
        self.bias_tau_us = 2 * BIAS_OHM // 1000 * bus_pf // 1000
        self.zero_tau_us = max(1, ZERO_OHM * bus_pf // 1000000)

    def over(self):
        return vtime.ms > self.trace.end_ms

    # --- commands of the parts

    # A pulse for the one-shot: what the decoders' inputs say takes effect, if it had lapsed.
    def kick(self):
        self._lapse()
        was_alive = self._alive()
        self._kick_ms = vtime.ms
        self._kick_us = vtime.us
        if not was_alive:
            self._conduct(self._asked_even, self._asked_odd, self._asked_zero)

    def _alive(self):
        if self.faults and self.faults.one_shot_sticks():
            return True
        return vtime.since_us(self._kick_ms, self._kick_us) < ALIVE_US

    # A one-shot that ran out opened everything.
    def _lapse(self):
        if not self._alive() and (self.even != NONE or self.odd != NONE or self.zero):
            self._conduct(NONE, NONE, False)
            self._since_ms = self._kick_ms + ALIVE_US // 1000  # from then on the lines were free
            self._since_us = self._kick_us

    # What the decoders' inputs say: taps or NONE.
    def command(self, even, odd, zero):
        self._lapse()
        self._asked_even = even
        self._asked_odd = odd
        self._asked_zero = zero
        if self._alive():
            self._conduct(even, odd, zero)

    def _conduct(self, even, odd, zero):
        self._settle()
        tap_closes = even not in (NONE, self.even) or odd not in (NONE, self.odd)
        if self.even not in (NONE, even):
            self._leave(0, self.even)
        if self.odd not in (NONE, odd):
            self._leave(1, self.odd)
        if self.zero and not zero:
            self._leave(2, 0)
        self.even = even
        self.odd = odd
        self.zero = zero
        if zero:
            self._held_even = even
            self._held_odd = odd
        elif even != self._held_even or odd != self._held_odd:
            self._held_even = NONE - 1
        if even != NONE or odd != NONE or zero:
            self.closings += 1
            self._watch(tap_closes)

    def _leave(self, k, tap):
        self._left[k] = tap
        self._left_ms[k] = vtime.ms
        self._left_us[k] = vtime.us

    # Whether that relay may conduct still though told to open.
    def _leaving(self, k):
        return self._left[k] != NONE and vtime.since_us(self._left_ms[k], self._left_us[k]) < OFF_US

    def _watch(self, tap_closes):
        old_even = self._left[0] if self._leaving(0) else NONE
        old_odd = self._left[1] if self._leaving(1) else NONE
        if self.even != NONE and old_even not in (NONE, self.even):
            self._crime("two on one line", self.even, old_even)
        if self.odd != NONE and old_odd not in (NONE, self.odd):
            self._crime("two on one line", self.odd, old_odd)
        self._watch_pair(self.even, self.odd)
        self._watch_pair(self.even, old_odd)
        self._watch_pair(old_even, self.odd)
        if tap_closes and not self.zero and self._leaving(2):
            self._crime("zero relay meets a tap", self.even, self.odd)
        elif self.zero and (old_even != NONE or old_odd != NONE):
            self._crime("zero relay meets a tap", self.even, self.odd)
        elif self.zero and self.even != NONE and self.odd != NONE:
            self.loads += 1

    def _watch_pair(self, even, odd):
        if even != NONE and odd != NONE and even - odd not in (1, -1):
            self._crime("not neighbours", even, odd)

    def _crime(self, what, a, b):
        if len(self.crimes) < 20:
            self.crimes.append((what, a, b, vtime.ms))

    # --- what the lines do

    def group_uv(self, group):
        uv = self.trace.value(group, vtime.ms)
        return uv + self.faults.group_uv(group) if self.faults else uv

    def tap_uv(self, tap):
        uv = 0
        for group in range(1, tap + 1):
            uv += self.group_uv(group)
        return uv

    # Where the lines go, even minus odd.
    def _aim(self):
        if self.faults and self.faults.wiring():
            return self.faults.aim()
        if self.even != NONE and self.odd != NONE:
            uv = self.group_uv(self.even) if self.even > self.odd else -self.group_uv(self.odd)
            return self.divided_uv(uv, 0)
        return 0

    # Whether a line is joined to a tap, and where that tap stands.
    def _is_joined(self, parity):
        if self.faults and self.faults.wiring():
            return self.faults.line_uv(parity) is not None
        return (self.odd if parity else self.even) != NONE

    def _joined_uv(self, parity):
        if self.faults and self.faults.wiring():
            return self.faults.line_uv(parity)
        return self.tap_uv(self.odd if parity else self.even)

    # One line alone went to a tap: the free one lags behind, and the converter sees by how much.
    def _hop(self):
        even = self._is_joined(0)
        if even == self._is_joined(1):
            if even:
                self._pair_even = self.even
            return
        line = 0 if even else 1
        uv = self._joined_uv(line)
        if self._pair_even != NONE:
            self._at_line = 0
            self._at_uv = self.tap_uv(self._pair_even)
            self._pair_even = NONE
        old = self._at_uv
        if line != self._at_line:
            old += -self._volts if line else self._volts
        if not self.zero and (self._held_even != self.even or self._held_odd != self.odd):
            lag = ((uv - old) >> 8) * FREE_SHARE
            self._volts = clamped(self._volts - lag if line else self._volts + lag)
        self._at_line = line
        self._at_uv = uv

    # What is left of a group's voltage: the zero resistor against the loop, or bias against what contacts add to it
    # (what the series resistors themselves lose is left out, as calibration takes it out).
    def divided_uv(self, uv, more_ohm):
        if self.zero or (self.faults and self.faults.zero_sticks()):
            parts = (self.loop_ohm + more_ohm) * 64 // ZERO_OHM + 64  # of 1/64; no product above 2^30
            return uv // parts * 64 + uv % parts * 64 // parts
        return uv // 1000 * (2 * BIAS_OHM // (2 * BIAS_OHM // 1000 + more_ohm // 1000)) if more_ohm else uv

    def _tau_us(self):
        if self.zero or (self.faults and self.faults.zero_sticks()):
            return self.zero_tau_us
        if self.faults and self.faults.joined():
            return self.pair_tau_us + self.pair_tau_us * (self.faults.loop_ohm() // 100) // (self.loop_ohm // 100)
        if not self.faults and self.even != NONE and self.odd != NONE:
            return self.pair_tau_us
        return self.bias_tau_us

    def _settle(self):
        aim = self._aim()
        gone_us = vtime.since_us(self._since_ms, self._since_us)
        self._volts = aim + decayed(self._volts - aim, gone_us, self._tau_us())
        self._since_ms = vtime.ms
        self._since_us = vtime.us

    # Between the lines, even minus odd, with noise and the converter's own errors.
    def line_uv(self, noise_uv):
        self._lapse()
        self._settle()
        if self.faults or self.even == NONE or self.odd == NONE:
            self._hop()
        else:
            self._pair_even = self.even
        uv = clamped(self._volts)
        if self.faults:
            uv += self.faults.error_uv(uv)
            noise_uv += self.faults.noise_uv()
        return uv + self.noise(noise_uv)

    # The next value of noise with that standard deviation.
    def noise(self, deviation):
        self._noise_at = self._noise_at + 1 if self._noise_at < 1020 else 0
        return deviation * self._noise[self._noise_at] // 1000

    def current_ma(self):
        return self.trace.value(0, vtime.ms)

    def pack_uv(self):
        return self.tap_uv(self.groups)

    def temp(self, channel):
        if channel >= self.trace.temps:
            return None
        return self.trace.value(1 + self.groups + channel, vtime.ms)

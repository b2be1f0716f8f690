# Taps, relays, the two bus lines and what is wrong with them: everything between the cells and the converter's input.
#
# The line voltage is even line minus odd line, in uV. It runs to its target with the time constant of what is closed:
# a tap on each line through two series resistors, the zero resistor, or only the bias resistors. Relays are commanded
# by the expander's ports (see evenboard/mux.py) and conduct only while the one-shot is alive. `violations` counts moments
# at which the commands would let two relays of one line or a pair that is not adjacent conduct, switching times included.

import vtime

# exp(-n/4) * 1024 for n = 0..31; later than eight time constants it is over.
_DECAY = (1024, 797, 621, 484, 377, 293, 228, 178, 139, 108, 84, 65, 51, 40, 31, 24, 19, 15, 11, 9, 7, 5, 4, 3, 3, 2, 2,
          1, 1, 1, 1, 0)  # fmt: skip
_ONE_SHOT_MS = 50
_OFF_US = 1000  # a relay conducts at most this long after its command ends
_ZERO_TAU_US = 10
_NONE = -1


class Wiring:
    def __init__(self, pack, series_ohm=10000, bus_pf=3000, bias_ohm=1000000):
        self.pack = pack
        self.tau_us = max(4, 2 * series_ohm // 1000 * bus_pf // 1000)
        self.bias_tau_us = bias_ohm // 1000 * bus_pf // 1000
        self.open_taps = set()
        self.stuck_taps = ()
        self.swapped = {}
        self.channel_uv = [0] * pack.groups  # error of each group's own reading
        self.violations = 0
        self._even = _NONE  # tap commanded closed on each line
        self._odd = _NONE
        self._zero = False
        self._left = [0, 0]  # us at which each line's relay was last told to open
        self._left_tap = [_NONE, _NONE]
        self._v = 0
        self._then_us = 0
        self._alive_ms = 0
        self._fed = False

    # Rising edge on the pin that feeds the one-shot.
    def feed(self):
        self._alive_ms = vtime.ticks_ms()
        self._fed = True

    # New outputs of the expander.
    def ports(self, port0, port1):
        self.sample()
        now = vtime.ticks_us()
        even = (port0 & 0x1F) * 2 if port0 & 0x20 else _NONE
        odd = (port1 & 0x1F) * 2 + 1 if port1 & 0x20 else _NONE
        zero = bool(port0 & 0x40)
        self._watch(0, self._even, even, now)
        self._watch(1, self._odd, odd, now)
        if even != _NONE and odd != _NONE and even - odd != 1 and odd - even != 1:
            self.violations += 1
        if zero and (even != _NONE or odd != _NONE):
            self.violations += 1
        self._even = even
        self._odd = odd
        self._zero = zero

    def _watch(self, line, was, now_tap, now_us):
        if was == now_tap:
            return
        if was != _NONE:
            self._left[line] = now_us
            self._left_tap[line] = was
            if now_tap != _NONE:
                self.violations += 1  # from one tap to another with no break at all
        elif now_tap != _NONE and self._left_tap[line] not in (_NONE, now_tap):
            if vtime.ticks_diff(now_us, self._left[line]) < _OFF_US:
                self.violations += 1

    # Voltage between the lines now.
    def sample(self):
        now = vtime.ticks_us()
        gone = vtime.ticks_diff(now, self._then_us)
        self._then_us = now
        target, tau = self._target()
        steps = gone * 4 // tau if 0 <= gone < 100000000 else 32
        if steps < 32:
            self._v = target + (self._v - target) // 1024 * _DECAY[steps]
        else:
            self._v = target
        return self._v

    def _target(self):
        alive = self._fed and vtime.ticks_diff(vtime.ticks_ms(), self._alive_ms) <= _ONE_SHOT_MS
        even = self._even if alive else _NONE
        odd = self._odd if alive else _NONE
        if self.stuck_taps:
            return self._with_stuck(even, odd)
        if alive and self._zero:
            return 0, _ZERO_TAU_US
        if even == _NONE or odd == _NONE or even in self.open_taps or odd in self.open_taps:
            return 0, self.bias_tau_us
        v = self._tap(even) - self._tap(odd)
        group = even if even > odd else odd
        if 0 < group <= self.pack.groups:
            v += self.channel_uv[group - 1] if even > odd else -self.channel_uv[group - 1]
        return v, self.tau_us

    # A line with two conducting relays sits half way between their taps.
    def _with_stuck(self, even, odd):
        lines = []
        for commanded, parity in ((even, 0), (odd, 1)):
            taps = [t for t in self.stuck_taps if t & 1 == parity]
            if commanded != _NONE and commanded not in taps:
                taps.append(commanded)
            lines.append([self._tap(t) for t in taps if t not in self.open_taps])
        if not lines[0] or not lines[1]:
            return 0, _ZERO_TAU_US if self._zero else self.bias_tau_us
        return sum(lines[0]) // len(lines[0]) - sum(lines[1]) // len(lines[1]), self.tau_us

    # Potential of a tap against pack negative.
    def _tap(self, tap):
        tap = self.swapped.get(tap, tap)
        total = 0
        uv = self.pack.uv
        for i in range(min(tap, self.pack.groups)):
            total += uv[i]
        return total

# What is wrong between pack and converter, by time (TRACE.md). What is active is worked out anew ten times a second, so
# that a long list of channel offsets costs nothing in between.

import vtime

_WIRING = (
    "lead_open", "lead_intermittent", "stuck_relay", "swapped_leads", "lead_ohm", "zero_stuck", "one_shot_stuck",
    "bridge", "decoder_many",
)  # fmt: skip


class Faults:
    def __init__(self, world, listed):
        self._world = world
        self._listed = listed
        self._next_ms = -1
        self._offset_uv = [0] * (world.groups + 1)  # of each group
        self._wiring = []  # active faults between taps and lines
        self._gain_ppm = 0
        self._converter_uv = 0
        self._noise_uv = 0
        self._update()

    def _update(self):
        if vtime.ms < self._next_ms:
            return
        self._next_ms = vtime.ms + 100
        now_s = vtime.ms / 1000
        offsets = self._offset_uv
        for group in range(len(offsets)):
            offsets[group] = 0
        self._wiring = []
        self._gain_ppm = self._converter_uv = self._noise_uv = 0
        for fault in self._listed:
            start_s = fault.get("start_s", 0)
            end_s = fault.get("end_s")
            if start_s <= now_s and (end_s is None or now_s < end_s):
                self._add(fault, now_s - start_s)

    def _add(self, fault, age_s):
        kind = fault["kind"]
        if kind in _WIRING:
            self._wiring.append(fault)
        elif kind == "channel_offset":
            self._offset_uv[fault["group"]] += int(fault["uv"])
        elif kind == "drift":
            self._offset_uv[fault["group"]] += int(fault["uv_per_h"] * age_s / 3600)
        elif kind == "gain":
            self._gain_ppm += int(fault["ppm"])
        elif kind == "converter_offset":
            self._converter_uv += int(fault["uv"])
        elif kind == "noise":
            self._noise_uv += int(fault["uv"])

    # Error of one group's own reading.
    def group_uv(self, group):
        self._update()
        return self._offset_uv[group]

    # Whether anything is wrong between taps and lines; else the plain way of the world serves.
    def wiring(self):
        self._update()
        return bool(self._wiring)

    def is_open(self, tap):
        self._update()
        for fault in self._wiring:
            if fault.get("tap") == tap:
                if fault["kind"] == "lead_open":
                    return True
                if fault["kind"] == "lead_intermittent":
                    return vtime.ms % (fault["open_ms"] + fault["closed_ms"]) < fault["open_ms"]
        return False

    def _wired_to(self, tap):
        for fault in self._wiring:
            if fault["kind"] == "swapped_leads":
                if tap == fault["tap"]:
                    return fault["other_tap"]
                if tap == fault["other_tap"]:
                    return fault["tap"]
        return tap

    # Taps that a line is joined to, as wired.
    def _joined_to(self, commanded, parity):
        taps = {commanded} if commanded >= 0 else set()
        for fault in self._wiring:
            if fault["kind"] == "stuck_relay" and fault["tap"] & 1 == parity:
                taps.add(fault["tap"])
            elif fault["kind"] == "decoder_many" and commanded >= 0:
                taps.update(t for t in fault["taps"] if t & 1 == parity)
        return [self._wired_to(t) for t in taps if not self.is_open(t)]

    def _has(self, kind):
        for fault in self._wiring:
            if fault["kind"] == kind:
                return True
        return False

    def zero_sticks(self):
        self._update()
        return self._has("zero_stuck")

    def one_shot_sticks(self):
        self._update()
        return self._has("one_shot_stuck")

    # A pin's voltage: its tap's, or what a bridge (a pinch, a film of water) between two leads makes of both.
    def _pin_uv(self, tap):
        uv = self._world.tap_uv(tap)
        for fault in self._wiring:
            if fault["kind"] == "bridge" and tap in (fault["tap"], fault["other_tap"]):
                other = self._world.tap_uv(fault["tap"] + fault["other_tap"] - tap)
                loop = self._world.loop_ohm
                uv += (other - uv) // 1000 * (loop // 2) // (loop + fault["ohm"]) * 1000
        return uv

    # Mean of the taps that a line is joined to; None: it hangs free.
    def line_uv(self, parity):
        taps = self._joined_to(self._world.odd if parity else self._world.even, parity)
        return sum(self._pin_uv(t) for t in taps) // len(taps) if taps else None

    def joined(self):
        return self.line_uv(0) is not None and self.line_uv(1) is not None

    # What contacts add to the resistance of the closed loop.
    def loop_ohm(self):
        more = 0
        for fault in self._wiring:
            closed = (self._world.even, self._world.odd)
            if fault["kind"] == "lead_ohm" and fault["tap"] in closed:
                more += fault["ohm"]
            elif fault["kind"] == "bridge":
                more += self._bridged_ohm(fault, closed)
        return more

    # What a bridge takes from the resistance behind the closed relays: it stands beside it.
    def _bridged_ohm(self, fault, closed):
        one = self._world.loop_ohm // 2
        both = fault["tap"] in closed and fault["other_tap"] in closed
        if not both and fault["tap"] not in closed and fault["other_tap"] not in closed:
            return 0
        own, beside = (2 * one, fault["ohm"]) if both else (one, one + fault["ohm"])
        return own // 10 * (beside // 10) // ((own + beside) // 100) - own if beside else -own

    # Where the lines go, even minus odd: the mean of the taps of each line, or nothing when one line floats.
    def aim(self):
        even = self.line_uv(0)
        odd = self.line_uv(1)
        if even is None or odd is None:
            return 0
        return self._world.divided_uv(even - odd, self.loop_ohm())

    # Errors of the converter itself.
    def error_uv(self, uv):
        self._update()
        return uv * self._gain_ppm // 1000000 + self._converter_uv

    def noise_uv(self):
        return self._noise_uv

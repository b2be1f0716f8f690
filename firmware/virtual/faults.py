# What is wrong between pack and converter, by time (TRACE.md). The list may be long; what is active is worked out anew
# ten times a second.

import vtime


class Faults:
    def __init__(self, world, listed):
        self._world = world
        self._listed = listed
        self._next_ms = -1
        self._active = []
        self.update()

    def update(self):
        if vtime.ms < self._next_ms:
            return
        self._next_ms = vtime.ms + 100
        s = vtime.ms / 1000
        self._active = [
            f for f in self._listed if f.get("start_s", 0) <= s and (f.get("end_s") is None or s < f["end_s"])
        ]

    def _of(self, kind):
        self.update()
        return [f for f in self._active if f["kind"] == kind]

    def group_uv(self, group):
        uv = 0
        for fault in self._of("channel_offset"):
            if fault["group"] == group:
                uv += fault["uv"]
        for fault in self._of("drift"):
            if fault["group"] == group:
                uv += int(fault["uv_per_h"] * (vtime.ms / 1000 - fault.get("start_s", 0)) / 3600)
        return uv

    def _is_open(self, tap):
        for fault in self._of("lead_open"):
            if fault["tap"] == tap:
                return True
        for fault in self._of("lead_intermittent"):
            if fault["tap"] == tap and vtime.ms % (fault["open_ms"] + fault["closed_ms"]) < fault["open_ms"]:
                return True
        return False

    def _wired_to(self, tap):
        for fault in self._of("swapped_leads"):
            if tap == fault["tap"]:
                return fault["other_tap"]
            if tap == fault["other_tap"]:
                return fault["tap"]
        return tap

    # Taps that a line is joined to, as wired.
    def _joined_to(self, commanded, parity):
        taps = {commanded} if commanded >= 0 else set()
        for fault in self._of("stuck_relay"):
            if fault["tap"] & 1 == parity:
                taps.add(fault["tap"])
        return [self._wired_to(t) for t in taps if not self._is_open(t)]

    def joined(self):
        world = self._world
        return bool(self._joined_to(world.even, 0) and self._joined_to(world.odd, 1))

    # Where the lines go, even minus odd: the mean of the taps of each line, or nothing when one line floats.
    def aim(self):
        world = self._world
        even = self._joined_to(world.even, 0)
        odd = self._joined_to(world.odd, 1)
        if not even or not odd:
            return 0
        uv = sum(world.tap_uv(t) for t in even) // len(even) - sum(world.tap_uv(t) for t in odd) // len(odd)
        return uv // 21 if world.zero else uv  # the zero resistor against both series resistors

    # Errors of the converter itself.
    def error_uv(self, uv):
        error = 0
        for fault in self._of("gain"):
            error += uv * fault["ppm"] // 1000000
        for fault in self._of("converter_offset"):
            error += fault["uv"]
        return error

    def noise_uv(self):
        return sum(fault["uv"] for fault in self._of("noise"))

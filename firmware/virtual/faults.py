# What is wrong between pack and converter, by time (TRACE.md). What is active is worked out anew ten times a second, so
# that a long list of channel offsets costs nothing in between.

import vtime

_WIRING = ("lead_open", "lead_intermittent", "stuck_relay", "swapped_leads", "lead_ohm")


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
        return [self._wired_to(t) for t in taps if not self.is_open(t)]

    def joined(self):
        world = self._world
        return bool(self._joined_to(world.even, 0) and self._joined_to(world.odd, 1))

    # What contacts add to the resistance of the closed loop.
    def loop_ohm(self):
        more = 0
        for fault in self._wiring:
            if fault["kind"] == "lead_ohm" and fault["tap"] in (self._world.even, self._world.odd):
                more += fault["ohm"]
        return more

    # Where the lines go, even minus odd: the mean of the taps of each line, or nothing when one line floats.
    def aim(self):
        world = self._world
        even = self._joined_to(world.even, 0)
        odd = self._joined_to(world.odd, 1)
        if not even or not odd:
            return 0
        uv = sum(world.tap_uv(t) for t in even) // len(even) - sum(world.tap_uv(t) for t in odd) // len(odd)
        return world.divided_uv(uv, self.loop_ohm())

    # Errors of the converter itself.
    def error_uv(self, uv):
        self._update()
        return uv * self._gain_ppm // 1000000 + self._converter_uv

    def noise_uv(self):
        return self._noise_uv

# What is wrong between pack and converter, by time: the list beside a trace (TRACE.md).

import json


class Faults:
    def __init__(self, path):
        self._list = []
        self._next_ms = 0
        try:
            with open(path) as f:
                self._list = json.load(f)
        except OSError:
            pass  # no such file: nothing is wrong

    # Set the models to how things are at `ms` of the trace. Looks at most ten times a second.
    def apply(self, ms, wiring, converter, base):
        if not self._list or ms < self._next_ms:
            return
        self._next_ms = ms + 100
        open_taps, stuck, swapped = set(), [], {}
        converter.offset_uv, converter.gain_ppm, converter.noise_uv = base
        for fault in self._list:
            begin = int(fault.get("start_s", 0) * 1000)
            end = fault.get("end_s")
            if ms < begin or (end is not None and ms >= int(end * 1000)):
                continue
            kind = fault["kind"]
            if kind == "lead_open":
                open_taps.add(fault["tap"])
            elif kind == "lead_intermittent":
                if (ms - begin) % (fault["open_ms"] + fault["closed_ms"]) < fault["open_ms"]:
                    open_taps.add(fault["tap"])
            elif kind == "stuck_relay":
                stuck.append(fault["tap"])
            elif kind == "swapped_leads":
                swapped[fault["tap"]] = fault["other_tap"]
                swapped[fault["other_tap"]] = fault["tap"]
            elif kind == "converter_offset":
                converter.offset_uv += fault["uv"]
            elif kind == "gain":
                converter.gain_ppm += fault["ppm"]
            elif kind == "noise":
                converter.noise_uv += fault["uv"]
            elif kind == "channel_offset":
                wiring.channel_uv[fault["group"] - 1] = fault["uv"]
            elif kind == "drift":
                wiring.channel_uv[fault["group"] - 1] = fault["uv_per_h"] * ((ms - begin) // 1000) // 3600
        wiring.open_taps = open_taps
        wiring.stuck_taps = tuple(stuck)
        wiring.swapped = swapped

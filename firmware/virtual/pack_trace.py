# Reads a trace (TRACE.md) record by record, so that a long one needs no memory.

import json
import struct


class Trace:
    def __init__(self, path):
        self._file = open(path, "rb")
        head = self._file.read(16)
        if len(head) < 16 or head[:4] != b"EVTR" or head[4] != 1:
            raise ValueError("not a trace of version 1: " + path)
        self.groups = head[5]
        self.temps = head[6]
        self.step_ms, self.count = struct.unpack("<II", head[8:16])
        self._format = "<" + "i" * (1 + self.groups) + "h" * self.temps
        self._size = struct.calcsize(self._format)
        self._at = -1
        self._now = self._next = None
        self.end_ms = (self.count - 1) * self.step_ms
        self._move(0)

    def _record(self, k):
        self._file.seek(16 + min(k, self.count - 1) * self._size)
        return struct.unpack(self._format, self._file.read(self._size))

    def _move(self, k):
        self._now = self._next if k == self._at + 1 and self._next else self._record(k)
        self._next = self._record(k + 1)
        self._at = k

    # Field f at that time: 0 current in mA, 1..N group in uV, then temperatures in 0.01 degC.
    def value(self, f, ms):
        k = ms // self.step_ms
        if k != self._at:
            self._move(k)
        a = self._now[f]
        return a + (self._next[f] - a) * (ms - k * self.step_ms) // self.step_ms


# A pack that stands still, for tests: microvolts a group.
class Still:
    temps = 1
    end_ms = 0x3FFFFFFF
    step_ms = 1000

    def __init__(self, volts_uv, current_ma=0, temp=2500):
        self.groups = len(volts_uv)
        self.values = [current_ma]
        self.values.extend(volts_uv)
        self.values.append(temp)

    def value(self, f, ms):  # noqa: ARG002 -- same at all times
        return self.values[f]


def faults_of(path):
    name = path.rsplit(".", 1)[0]
    try:
        with open(name + ".faults.json") as f:
            return json.load(f)
    except OSError:
        return []

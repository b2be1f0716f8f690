# What the virtual pack does: constant voltages, or a trace (TRACE.md). Microvolts and milliamperes, whole numbers.

import struct
from array import array

HEAD = 16


class ConstantPack:
    def __init__(self, uv, current_ma=0):
        self.uv = array("i", uv)
        self.groups = len(uv)
        self.current_ma = current_ma
        self.over = False

    def to(self, ms):
        pass


class TracePack:
    def __init__(self, path):
        self._file = open(path, "rb")
        head = self._file.read(HEAD)
        magic, version, self.groups, self.temps, _, self._step_ms, self._records = struct.unpack("<4sBBBBII", head)
        if magic != b"EVTR" or version != 1:
            raise ValueError("not a trace: " + path)
        size = self.groups + 1
        self._a = array("i", (0 for _ in range(size)))
        self._b = array("i", (0 for _ in range(size)))
        self._cold = array("h", (0 for _ in range(self.temps)))
        self.uv = array("i", (0 for _ in range(self.groups)))
        self.current_ma = 0
        self.over = False
        self._at = -1  # record in _a
        self._load(self._a)
        self._load(self._b)
        self._at = 0
        self.to(0)

    def _load(self, into):
        self._file.readinto(into)
        if self.temps:
            self._file.readinto(self._cold)

    # Set uv and current_ma to what they are at `ms` of the trace; time only goes forward.
    def to(self, ms):
        k = ms // self._step_ms
        if k >= self._records - 1:
            self.over = True
            return
        if k > self._at + 1:  # far ahead: skip
            self._file.seek(HEAD + k * (4 * len(self._a) + 2 * self.temps))
            self._load(self._b)
            self._at = k - 1
        while self._at < k:
            self._a, self._b = self._b, self._a
            self._load(self._b)
            self._at += 1
        part = (ms - k * self._step_ms) * 256 // self._step_ms
        a = self._a
        b = self._b
        self.current_ma = a[0] + (b[0] - a[0]) * part // 256
        uv = self.uv
        for i in range(self.groups):
            uv[i] = a[i + 1] + (b[i + 1] - a[i + 1]) * part // 256

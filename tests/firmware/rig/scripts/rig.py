# The firmware on models, with everything in one process: what the scripts of the tests share. Runs on MicroPython.

import json
import struct
import sys

import vtime

sys.modules["time"] = vtime

# The models first: their tables want whole pieces of a small heap, which the firmware's many small ones break up.
from faults import Faults  # noqa: E402 -- after the clock was replaced
from pack_trace import Still  # noqa: E402
from virtual_board import VirtualBoard  # noqa: E402
from world import World  # noqa: E402

# isort: split
from evenboard.base import description as boards  # noqa: E402
from evenboard.start.build import make_app  # noqa: E402
from evenstring_protocol import framing  # noqa: E402

RP2040_24 = json.loads(
    """{"name": "test", "groups": 24, "alarms": false, "front_end": "relay_scan",
    "i2c": {"id": 0, "sda": 4, "scl": 5, "hz": 400000},
    "adc": {"part": "ads1115", "address": 72},
    "mux": {"part": "pca9555", "address": 32, "alive_pin": 6,
            "relay_on_us": 2000, "relay_off_us": 1000, "series_ohm": 10000, "bus_pf": 3000},
    "current": {"address": 73, "uv_per_a": 20000, "zero_uv": 2048000},
    "pack": {"address": 73, "ratio": 60},
    "ntc": {"address": 74, "count": 1, "b_kelvin": 3435, "r25_ohm": 10000, "r_ohm": 10000, "supply_uv": 3300000}}"""
)


class Sink:
    # Takes frames as a line would; keeps the last one when asked.
    def __init__(self, keep=False):
        self.bytes = 0
        self.frames = 0
        self.kept = bytearray() if keep else None
        self.broken = False

    def write(self, data, n):
        if self.broken:
            return 0
        self.frames += 1
        self.bytes = (self.bytes + n) & 0xFFFFFF
        if self.kept is not None:
            self.kept.extend(bytes(data[:n]))
        return n


class Rig:
    def __init__(self, volts_uv=None, groups=24, changes=None, keep=False, current_ma=5000, faults=()):
        data = json.loads(json.dumps(RP2040_24))
        data["groups"] = groups
        data.update(changes or {})
        self.data = data
        problem = boards.check(data)
        if problem:
            raise ValueError(problem)
        self.volts_uv = volts_uv or [3700000 + 1000 * g for g in range(groups)]
        self.pack = Still(self.volts_uv, current_ma)
        self.world = World(self.pack, faults)
        self.board = VirtualBoard(self.world, data)
        self.sink = Sink(keep)
        self.fed = 0
        self.app = make_app(data, "", self.sink.write, self.feed)
        self.front = self.app.front
        self.app.begin()

    def break_it(self, faults):
        self.world.faults = Faults(self.world, faults) if faults else None

    def feed(self):
        self.fed += 1

    # Mean of both passes in uV, or the code.
    def readings_uv(self):
        n = self.front.groups
        out = []
        for g in range(n):
            a, b = self.front.readings[g], self.front.readings[g + n]
            out.append((a + b) * 100 if min(a, b) > -32766 and max(a, b) < 32767 else a)
        return out

    def command(self, code, seq, payload=b""):
        raw = bytearray(struct.pack("<BHI", code, seq, 0) + payload)
        n = len(raw)
        raw.extend(bytes(4))
        framing.put_crc(raw, n)
        out = bytearray(framing.encoded_size(n + 4))
        size = framing.encode(raw, n + 4, out)
        self.app.receive(out, size)

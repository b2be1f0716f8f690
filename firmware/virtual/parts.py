# Register-level models of the I2C parts, after the data sheets' register maps (from memory), not after the drivers.

import math

import vtime


class PortExpander:
    # PCA9555 class. Pins are inputs with pull-ups until the direction registers say otherwise.
    def __init__(self, world):
        self._world = world
        self._registers = bytearray((0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0xFF, 0xFF))
        self._pointer = 0

    def write(self, data):
        self._pointer = data[0] & 7
        for value in data[1:]:
            self._registers[self._pointer] = value
            self._pointer ^= 1  # the pair of registers takes turns
            self._drive()

    def pins(self, port):
        return (self._registers[2 + port] & ~self._registers[6 + port] | self._registers[6 + port]) & 0xFF

    def _drive(self):
        decode(self._world, self.pins(0), self.pins(1))

    def read(self, n):
        out = bytes(self.pins((self._pointer + k) & 1) for k in range(n)) if self._pointer < 2 else b""
        return out if out else bytes(self._registers[self._pointer ^ (k & 1)] for k in range(n))


# Wiring of the multiplexer: five address lines to each one-of-n decoder, bit 5 of the first byte to the zero relay.
def decode(world, first, second):
    even = 2 * (first & 31)
    odd = 2 * (second & 31) + 1
    world.command(even if even <= world.groups else -1, odd if odd <= world.groups else -1, not first & 0x20)


class DeltaSigma16:
    # ADS1115 class: pointer, configuration, conversion; single shot or running.
    RANGES_UV = (6144000, 4096000, 2048000, 1024000, 512000, 256000, 256000, 256000)
    CONVERSION_US = 1163

    def __init__(self, source):
        self._source = source  # function(multiplexer code) -> uV
        self._pointer = 0
        self._config = 0x8583
        self._code = 0
        self._done = (-1000, 0)

    def write(self, data):
        self._pointer = data[0] & 3
        if len(data) == 3 and self._pointer == 1:
            self._config = data[1] << 8 | data[2]
            if self._config & 0x8000 or not self._config & 0x0100:
                self._begin()

    def _begin(self):
        self._done = (vtime.ms, vtime.us)
        self._sample()

    def _sample(self):
        uv = self._source(self._config >> 12 & 7)
        code = math.floor(uv * 32768 / self.RANGES_UV[self._config >> 9 & 7] + 0.5)
        self._code = max(-32768, min(32767, code))

    def _busy(self):
        return vtime.since_us(self._done[0], self._done[1]) < self.CONVERSION_US

    def read(self, n):
        if self._pointer == 1:
            value = self._config & 0x7FFF | (0 if self._busy() else 0x8000)
        else:
            if not self._config & 0x0100:  # running: always the latest
                self._sample()
            value = self._code & 0xFFFF
        return bytes((value >> 8, value & 0xFF))[:n]


class DeltaSigma24:
    # ADS122C04 class: commands RESET, START, RDATA, RREG, WREG; external 5 V reference.
    CONVERSION_US = 1000
    REFERENCE_UV = 5000000

    def __init__(self, source):
        self._source = source
        self._registers = bytearray(4)
        self._out = b""
        self._code = 0
        self._done = None

    def write(self, data):
        command = data[0]
        if command & 0xFE == 0x06:
            self._registers = bytearray(4)
        elif command & 0xFE == 0x08:
            uv = self._source(self._registers[0] >> 4)
            self._code = max(-0x800000, min(0x7FFFFF, math.floor(uv * 0x800000 / self.REFERENCE_UV + 0.5)))
            self._done = (vtime.ms, vtime.us)
        elif command & 0xF0 == 0x10:
            self._out = (self._code & 0xFFFFFF).to_bytes(3, "big")
            self._done = None
        elif command & 0xF0 == 0x20:
            which = command >> 2 & 3
            ready = self._done and vtime.since_us(self._done[0], self._done[1]) >= self.CONVERSION_US
            self._out = bytes((self._registers[which] | (0x80 if which == 2 and ready else 0),))
        elif command & 0xF0 == 0x40:
            self._registers[command >> 2 & 3] = data[1]

    def read(self, n):
        return self._out[:n]


# What hangs on the multiplexed inputs of the sensor converters.
class SensorInputs:
    def __init__(self, world, description):
        self._world = world
        self._current = description.get("current") or {}
        self._pack = description.get("pack") or {}
        self._ntc = description.get("ntc") or {}

    def main(self, mux):
        if mux == 6:  # AIN2
            return self._world.pack_uv() / self._pack["ratio"]
        return self._current["zero_uv"] + self._world.current_ma() * self._current["uv_per_a"] / 1000

    def heat(self, mux):
        ntc = self._ntc
        temp = self._world.temp(mux - 4)
        if temp is None:
            return ntc["supply_uv"]
        r = ntc["r25_ohm"] * math.exp(ntc["b_kelvin"] * (1 / (temp / 100 + 273.15) - 1 / 298.15))
        return ntc["supply_uv"] * r / (r + ntc["r_ohm"])

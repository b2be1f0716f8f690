# Register-level models of the I2C parts, after the data sheets' register maps (from memory), not after the drivers.
# Whole numbers and nothing allocated once they exist, so that they may run in a small heap and on a 32-bit MicroPython.

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
        for i in range(1, len(data)):
            self._registers[self._pointer] = data[i]
            self._pointer ^= 1  # the pair of registers takes turns
            decode(self._world, self._pins(0), self._pins(1))

    def _pins(self, port):
        return (self._registers[2 + port] | self._registers[6 + port]) & 0xFF

    def read_into(self, into):
        for i in range(len(into)):
            k = self._pointer
            into[i] = self._pins(k) if k < 2 else self._registers[k]
            self._pointer ^= 1


# Wiring of the multiplexer: five address lines to each one-of-n decoder, bit 5 of the first byte to the zero relay.
def decode(world, first, second):
    even = 2 * (first & 31)
    odd = 2 * (second & 31) + 1
    world.command(even if even <= world.groups else -1, odd if odd <= world.groups else -1, not first & 0x20)


class DeltaSigma16:
    # ADS1115 class: pointer, configuration, conversion; single shot or running.
    STEP_HALF_UV = (375, 250, 125)  # of the ranges +-6.144, 4.096 and 2.048 V
    CONVERSION_US = 1163

    def __init__(self, source):
        self._source = source  # function(multiplexer code) -> uV
        self._pointer = 0
        self._config = 0x8583
        self._code = 0
        self._ms = -1000
        self._us = 0

    def write(self, data):
        self._pointer = data[0] & 3
        if len(data) == 3 and self._pointer == 1:
            self._config = data[1] << 8 | data[2]
            if self._config & 0x8000 or not self._config & 0x0100:
                self._ms = vtime.ms
                self._us = vtime.us
                self._sample()

    def _sample(self):
        step = self.STEP_HALF_UV[min(2, self._config >> 9 & 7)]
        code = (2 * self._source(self._config >> 12 & 7) + step // 2) // step
        self._code = max(-32768, min(32767, code))

    def read_into(self, into):
        if self._pointer == 1:
            busy = vtime.since_us(self._ms, self._us) < self.CONVERSION_US
            value = self._config & 0x7FFF if busy else self._config | 0x8000
        else:
            if not self._config & 0x0100:  # running: always the latest
                self._sample()
            value = self._code
        into[0] = value >> 8 & 0xFF
        into[1] = value & 0xFF


class DeltaSigma24:
    # ADS122C04 class: commands RESET, START, RDATA, RREG, WREG; external 5 V reference.
    CONVERSION_US = 1000

    def __init__(self, source):
        self._source = source
        self._registers = bytearray(4)
        self._out = bytearray(3)
        self._code = 0
        self._running = False
        self._ms = -1000
        self._us = 0

    def write(self, data):
        command = data[0]
        if command & 0xFE == 0x06:
            for i in range(4):
                self._registers[i] = 0
        elif command & 0xFE == 0x08:
            self._code = self._steps(self._source(self._registers[0] >> 4))
            self._running = True
            self._ms = vtime.ms
            self._us = vtime.us
        elif command & 0xF0 == 0x10:
            self._running = False
            for i in range(3):
                self._out[i] = self._code >> (16 - 8 * i) & 0xFF
        elif command & 0xF0 == 0x20:
            which = command >> 2 & 3
            ready = self._running and vtime.since_us(self._ms, self._us) >= self.CONVERSION_US
            self._out[0] = self._registers[which] | (0x80 if which == 2 and ready else 0)
        elif command & 0xF0 == 0x40:
            self._registers[command >> 2 & 3] = data[1]

    # 2^23 steps are 5 V: 1.6777216 a microvolt, with no product above 2^30.
    def _steps(self, uv):
        uv = max(-6000000, min(6000000, uv))
        high = uv // 1000
        low = uv - high * 1000
        code = high * 1677 + high * 7216 // 10000 + low * 16777 // 10000
        return max(-0x800000, min(0x7FFFFF, code))

    def read_into(self, into):
        for i in range(len(into)):
            into[i] = self._out[i]


# What hangs on the multiplexed inputs of the sensor converters.
class SensorInputs:
    def __init__(self, world, description):
        self._world = world
        current = description.get("current") or {}
        self._zero_uv = current.get("zero_uv", 0)
        self._uv_per_10ma = current.get("uv_per_a", 0) // 100
        self._ratio = (description.get("pack") or {}).get("ratio", 1)
        self._ntc = description.get("ntc") or {}
        self._temps = [None] * 4
        self._heats = [0] * 4

    def main(self, mux):
        if mux == 6:  # AIN2
            return self._world.pack_uv() // self._ratio
        return self._zero_uv + self._world.current_ma() * self._uv_per_10ma // 10

    def heat(self, mux):
        temp = self._world.temp(mux - 4)
        if temp is None:
            return self._ntc["supply_uv"]
        if temp != self._temps[mux - 4]:
            self._temps[mux - 4] = temp
            self._heats[mux - 4] = divider_uv(self._ntc, temp)
        return self._heats[mux - 4]


# B-parameter equation.
def divider_uv(ntc, centi_degrees):
    r = ntc["r25_ohm"] * math.exp(ntc["b_kelvin"] * (1 / (centi_degrees / 100 + 273.15) - 1 / 298.15))
    return int(ntc["supply_uv"] * r / (r + ntc["r_ohm"]))

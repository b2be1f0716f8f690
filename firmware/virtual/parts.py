# Register-level models of the I2C parts. Registers from the makers' data sheets (from memory).

import vtime

_CONVERT_US = 1163  # 1/860 s


# 16-bit delta-sigma converter: pointer register, conversion and config registers, single conversions.
class Converter:
    # source(): microvolts at the input now; noise_uv: standard deviation.
    def __init__(self, source, noise_uv=0, offset_uv=0, gain_ppm=0, seed=1):
        self._source = source
        self.noise_uv = noise_uv
        self.offset_uv = offset_uv
        self.gain_ppm = gain_ppm
        self._random = seed
        self._pointer = 0
        self._config = bytearray((0x85, 0x83))
        self._data = bytearray(2)
        self._started_us = 0
        self._busy = False

    def write(self, buf):
        self._pointer = buf[0] & 3
        if len(buf) == 3 and self._pointer == 1:
            self._config[0] = buf[1]
            self._config[1] = buf[2]
            if buf[1] & 0x80:
                self._convert(buf[1] >> 1 & 7)

    def read_into(self, buf):
        if self._busy and vtime.ticks_diff(vtime.ticks_us(), self._started_us) >= _CONVERT_US:
            self._busy = False
        if self._pointer == 1:
            buf[0] = self._config[0] & 0x7F if self._busy else self._config[0] | 0x80
            buf[1] = self._config[1]
        else:
            buf[0] = self._data[0]
            buf[1] = self._data[1]

    def _convert(self, gain):
        uv = self._source() + self.offset_uv
        uv += uv // 1000 * self.gain_ppm // 1000
        if self.noise_uv:
            uv += self._noise()
        # Ranges 0 and 1: 187.5 and 125 uV a step.
        steps = (2 * uv + 187) // 375 if gain == 0 else (uv + 62) // 125
        steps = max(-32768, min(32767, steps))
        self._data[0] = (steps >> 8) & 0xFF
        self._data[1] = steps & 0xFF
        self._started_us = vtime.ticks_us()
        self._busy = True

    # Four uniform numbers together are near enough to normal; their sum has a standard deviation of 37838.
    def _noise(self):
        r = self._random
        total = 0
        for _ in range(4):
            r = (r * 75 + 74) % 65537
            total += r
        self._random = r
        return (total - 131072) * self.noise_uv // 37838


# 16-bit port expander: pointer byte, then register pairs.
class Expander:
    def __init__(self, wiring):
        self._wiring = wiring
        self._out = bytearray((0xFF, 0xFF))
        self._config = bytearray((0xFF, 0xFF))  # all inputs at power-up

    def write(self, buf):
        register = buf[0]
        for i in range(1, len(buf)):
            target = self._out if register in (2, 3) else self._config if register in (6, 7) else None
            if target:
                target[register & 1] = buf[i]
            register = register ^ 1  # stays within its pair
        self._drive()

    def read_into(self, buf):
        for i in range(len(buf)):
            buf[i] = self._out[i & 1]

    # An input pin floats; the pull resistors of the board hold the decoders disabled.
    def _drive(self):
        self._wiring.ports(self._out[0] & ~self._config[0] & 0xFF, self._out[1] & ~self._config[1] & 0xFF)

# 16-bit delta-sigma converter of the ADS1115 class on I2C (register map and timing from memory of the data sheet).
# Registers: 0 conversion, 1 configuration. A single shot starts with bit 15 of the configuration; the bit reads 1
# again when it is done. 860 conversions a second nominal, up to 10 % slow.

import time

from micropython import const

CONVERSION_US = const(1300)  # 1/860 s and 10 % slow
_POLLS = const(8)

SINGLE = const(0x80)  # high byte of the configuration: start, single shot
_MODE_SINGLE = const(0x01)
_LOW = const(0xE3)  # 860 a second, comparator off

# (input selection, range) as they stand in the high byte, and the size of a step in half microvolts
DIFF_6V = const(0x00)  # AIN0 - AIN1, +-6.144 V, 187.5 uV
DIFF_2V = const(0x04)  # AIN0 - AIN1, +-2.048 V, 62.5 uV
IN0_4V = const(0x42)  # AIN0..3 to ground, +-4.096 V, 125 uV
IN2_4V = const(0x62)
STEP_6V = const(375)
STEP_4V = const(250)
STEP_2V = const(125)

OVER = const(1 << 29)  # returned (with sign) for a code at either end of the range


class ADS111x:
    noise_uv = 75  # half a step at 860 a second, inputs shorted (data sheet, from memory: under one step)
    conversion_us = CONVERSION_US

    def __init__(self, i2c, address):
        self._i2c = i2c
        self._address = address
        self._config = bytearray((1, 0, _LOW))
        self._ask = bytearray((0,))
        self._in = bytearray(2)

    def begin(self):
        # Writes the configuration without starting: an absent part fails here.
        self._config[1] = _MODE_SINGLE
        self._i2c.writeto(self._address, self._config)

    def start(self, inputs=DIFF_6V):
        self._config[1] = SINGLE | _MODE_SINGLE | inputs
        self._i2c.writeto(self._address, self._config)

    def run(self, inputs):
        # Converts on and on; `latest` then takes one short transfer.
        self._config[1] = inputs
        self._i2c.writeto(self._address, self._config)
        self._i2c.writeto(self._address, self._ask)

    def latest(self, step):
        self._i2c.readfrom_into(self._address, self._in)
        return self._value(step)

    def read(self, step=STEP_6V):
        # Waits for the running single shot. Returns uV, +-OVER at the ends, or None when it never finishes.
        time.sleep_us(CONVERSION_US)
        for _ in range(_POLLS):
            self._i2c.readfrom_into(self._address, self._in)
            if self._in[0] & 0x80:
                break
            time.sleep_us(200)
        else:
            return None
        return self.fetch(step)

    def fetch(self, step):
        self._i2c.writeto(self._address, self._ask)
        self._i2c.readfrom_into(self._address, self._in)
        return self._value(step)

    def _value(self, step):
        code = (self._in[0] << 8) | self._in[1]
        if code & 0x8000:
            code -= 0x10000
        if code == 32767:
            return OVER
        if code == -32768:
            return -OVER
        return (code * step) >> 1

# The I2C bus: opened, and got going again. Stays in memory, unlike `build`, which is let go after the start.

import time

from machine import I2C, Pin


class Bus:
    # i2c: of the board description.
    def __init__(self, i2c):
        self._i2c = i2c

    def open(self):
        i2c = self._i2c
        return I2C(i2c["id"], scl=Pin(i2c["scl"]), sda=Pin(i2c["sda"]), freq=i2c["hz"], timeout=5000)

    # On a board the pins go from the bus to plain outputs and back.
    def recover(self):
        self._free()
        self.open()

    # A part that was reset in the middle of a transfer may hold the data line low: nine clocks let it finish.
    def _free(self):
        if Pin(self._i2c["sda"], Pin.IN, Pin.PULL_UP).value():
            return
        scl = Pin(self._i2c["scl"], Pin.OPEN_DRAIN, value=1)
        for _ in range(9):
            scl.value(0)
            time.sleep_us(5)
            scl.value(1)
            time.sleep_us(5)

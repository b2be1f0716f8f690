# The module `machine` of the virtual board: what stock MicroPython has, with models behind it.

import vtime

parts = {}  # I2C address -> part
pins = {}  # number -> callable(value)
fed = [0]  # times the watchdog was fed

PWRON_RESET = 1
WDT_RESET = 3


def reset_cause():
    return PWRON_RESET


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1

    def __init__(self, number, mode=-1, pull=-1, value=None):
        self._number = number
        self._value = 1 if value is None else value

    def value(self, v=None):
        if v is None:
            return self._value
        if v != self._value:
            self._value = v
            wired = pins.get(self._number)
            if wired:
                wired(v)


class I2C:
    def __init__(self, bus, scl=None, sda=None, freq=400000, timeout=50000):
        self._byte_us = 9000000 // freq
        self.stuck = False

    # Only the calls that allocate nothing on a board are here.
    def writeto(self, address, buf, stop=True):
        vtime.advance_us(self._byte_us * (len(buf) + 1))
        part = parts.get(address)
        if part is None:
            raise OSError(5)
        part.write(buf)
        return len(buf)

    def readfrom_into(self, address, buf, stop=True):
        vtime.advance_us(self._byte_us * (len(buf) + 1))
        part = parts.get(address)
        if part is None:
            raise OSError(5)
        part.read_into(buf)


class WDT:
    def __init__(self, timeout=8000):
        pass

    def feed(self):
        fed[0] += 1

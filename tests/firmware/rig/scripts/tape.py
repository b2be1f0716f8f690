# Runs on MicroPython: `machine` without models, so that a heap holds the firmware alone. The I2C bus plays a tape that
# `taken.py` made of the same run on the models: every transfer must be the one that stands there, byte by byte, and a
# read gives what the models gave. Nothing here allocates after `load`.

import sys

import vtime

sys.modules["time"] = vtime
sys.modules["machine"] = sys.modules[__name__]

PAGE = 512  # no transfer reaches over the end of a page; a page is filled up with 0xFF
PWRON_RESET = 1
WDT_RESET = 3
SPI = None  # no part of this board
transfers = 0
_tape = None
_page = bytearray(PAGE)
_at = PAGE


def load(path):
    global _tape  # noqa: PLW0603 -- a module stands in for a module
    _tape = open(path, "rb")  # noqa: SIM115 -- as long as the script runs


# The place of the next transfer's bytes in the page: it must be this one.
def _next(address, n):
    global _at, transfers  # noqa: PLW0603 -- as above
    if _at >= PAGE - 2 or _page[_at] == 0xFF:
        _tape.readinto(_page)
        _at = 0
    at = _at
    if _page[at] != address or _page[at + 1] != n:
        raise RuntimeError("not what the models were asked")
    transfers += 1
    _at = at + 2 + n
    return at + 2


class I2C:
    def __init__(self, ident, scl=None, sda=None, freq=400000, timeout=50000):  # noqa: ARG002 -- as the real one
        self._per_byte_us = (9 * 1000000 + freq - 1) // freq

    def writeto(self, address, data):
        n = len(data)
        vtime.advance(self._per_byte_us * (n + 1) + 20)
        at = _next(address, n)
        for i in range(n):
            if _page[at + i] != data[i]:
                raise RuntimeError("not what the models were told")
        return n

    def readfrom_into(self, address, into):
        n = len(into)
        vtime.advance(self._per_byte_us * (n + 1) + 20)
        at = _next(address | 0x80, n)
        for i in range(n):
            into[i] = _page[at + i]


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1

    def __init__(self, number, mode=-1, pull=-1, value=None):
        pass

    def value(self, level=None):  # noqa: ARG002 -- as the real one
        return 1


class PWM:
    def __init__(self, pin, freq=0, duty_u16=0):
        pass

    def duty_u16(self, duty=None):
        pass

    def freq(self, hz=None):
        pass


def reset_cause():
    return PWRON_RESET

# `machine` of the virtual board: the part of MicroPython's machine API that the firmware uses, with the models behind.
#
# The models may use the heap; the firmware's scan path may not. So each call opens a locked heap for the model and
# locks it again. Calls that allocate on real boards (`writeto_mem`, `writevto` ...) are refused while it is locked.

import micropython
import vtime

PWRON_RESET = 1
WDT_RESET = 3

slept_ms = 0  # how long the last deep sleep was to be
board = None  # set by `board.Virtual`


# Opens the heap and returns how deep it was locked.
def _open_heap():
    micropython.heap_lock()
    depth = micropython.heap_unlock()
    for _ in range(depth):
        micropython.heap_unlock()
    return depth


def _lock_heap(depth):
    for _ in range(depth):
        micropython.heap_lock()


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1

    def __init__(self, number, mode=-1, pull=-1, value=None):  # noqa: ARG002 -- the real one's arguments
        self.number = number
        if value is not None:
            self.value(value)

    def value(self, level=None):
        if level is None:
            return board.pin_level(self.number)
        depth = _open_heap()
        try:
            board.pin_set(self.number, level)
        finally:
            _lock_heap(depth)
        return None

    __call__ = value


class I2C:
    def __init__(self, ident, scl=None, sda=None, freq=400000, timeout=50000):  # noqa: ARG002 -- as the real one
        self._per_byte_us = (9 * 1000000 + freq - 1) // freq
        self._timeout_us = timeout

    def _take(self, n):
        vtime.advance(self._per_byte_us * (n + 1) + 20)
        if board.bus_low or board.hung_low:
            vtime.advance(self._timeout_us)
            raise OSError(110)

    def writeto(self, address, data):
        depth = _open_heap()
        try:
            self._take(len(data))
            board.write(address, data)
        finally:
            _lock_heap(depth)
        return len(data)

    def readfrom_into(self, address, into):
        depth = _open_heap()
        try:
            self._take(len(into))
            board.read_into(address, into)
        finally:
            _lock_heap(depth)

    def scan(self):
        return sorted(board.parts)

    def _refuse(self, *_):
        depth = _open_heap()
        if depth:
            raise MemoryError("this call allocates on a board")
        raise NotImplementedError("use writeto and readfrom_into")

    writeto_mem = readfrom_mem = readfrom_mem_into = writevto = readfrom = _refuse


class SPI:
    def __init__(self, ident, **_):
        self._ident = ident

    def write(self, data):
        depth = _open_heap()
        try:
            vtime.advance(8 * len(data))
            board.spi_write(data)
        finally:
            _lock_heap(depth)

    def write_readinto(self, out, into):
        depth = _open_heap()
        try:
            vtime.advance(2 * len(out) + 20)
            board.spi_exchange(out, into)
        finally:
            _lock_heap(depth)


class PWM:
    # `duty` is there to be looked at.
    def __init__(self, pin, freq=0, duty_u16=0):
        self.pin = pin
        self.frequency = freq
        self.duty = duty_u16

    def freq(self, hz=None):
        if hz is not None:
            self.frequency = hz
        return self.frequency

    def duty_u16(self, duty=None):
        if duty is not None:
            self.duty = duty
        return self.duty

    def deinit(self):
        self.duty = 0


class WDT:
    def __init__(self, timeout=5000):
        self.timeout = timeout
        self.fed_ms = vtime.ms
        self.longest_ms = 0

    def feed(self):
        gone = vtime.ms - self.fed_ms
        if gone > self.longest_ms:
            self.longest_ms = gone
        self.fed_ms = vtime.ms


# What ends a run of main.py: nothing of the firmware catches it on its way out.
class Reset(BaseException):
    pass


def reset():
    raise Reset


def reset_cause():
    return PWRON_RESET


# Off until the time is over, then a start from reset; what deep sleep does. Where a board has it, it has the name of
# that reset too: tests give it.
def deepsleep(ms):
    global slept_ms  # noqa: PLW0603 -- a module stands in for a module
    slept_ms = ms
    raise Reset


# Clocks stopped until the time is over: nothing else happens meanwhile.
def lightsleep(ms):
    vtime.sleep_ms(ms)

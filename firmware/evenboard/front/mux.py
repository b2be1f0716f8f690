# Photo-relay multiplexer, addressed through decoders.
#
# Taps 0..N of an N-group string: even taps go to bus line A, odd taps to bus line B. All relays of one bus line hang on
# one one-of-n decoder, so two relays on one line cannot be driven at once by any word that firmware, a glitch or a
# flipped bit could put on the lines. Address 31 drives none; it is also what pull-ups give before anyone is programmed.
# The decoders are enabled by a hardware pull and a retriggerable one-shot: `keep_alive` pulses it, and a board that
# hangs or resets opens everything within its time (50 ms), whatever the outputs say.
#
# This class can only name a group (its two adjacent taps), the same with the zero resistor across it, one single tap
# (with the zero resistor, which then may be let go), the zero relay, or nothing; and it passes through "nothing" for
# the guard time before it closes anything (break before make).
#
# Two bytes leave here: [even address | ZERO_OFF], [odd address]. ZERO_OFF low closes the relay between the bus lines.

import time

from evenboard.base.clock import MASK
from micropython import const

_NONE = const(31)
_ZERO_OFF = const(0x20)
_IDLE_EVEN = const(0x3F)
_IDLE_ODD = const(0x1F)


class Expander:
    # 16-bit I2C port expander with the register map of the PCA9555 class (from memory of the data sheets):
    # 0/1 inputs, 2/3 outputs, 4/5 polarity, 6/7 direction (1 = input, the state at power-up).

    def __init__(self, i2c, address):
        self._i2c = i2c
        self._address = address
        self._out = bytearray((2, _IDLE_EVEN, _IDLE_ODD))
        self._dir = bytearray((6, 0xC0, 0xE0))
        self._ask = bytearray((0,))
        self._in = bytearray(2)

    def begin(self):
        # Outputs first, then direction: no moment with anything driven but "none".
        self.put(_IDLE_EVEN, _IDLE_ODD)
        self._i2c.writeto(self._address, self._dir)

    def put(self, even, odd):
        out = self._out
        out[1] = even
        out[2] = odd
        self._i2c.writeto(self._address, out)

    def holds(self, even, odd):
        # Whether the pins read back as commanded.
        self._i2c.writeto(self._address, self._ask)
        self._i2c.readfrom_into(self._address, self._in)
        return self._in[0] & 0x3F == even and self._in[1] & 0x1F == odd


class ShiftRegister:
    # Two 74HC595 in a chain. Their outputs are random at power-up: only the one-shot keeps the relays open until
    # `begin` has shifted "none" in. Nothing can be read back.

    def __init__(self, spi, latch):
        self._spi = spi
        self._latch = latch
        self._out = bytearray(2)

    def begin(self):
        self.put(_IDLE_EVEN, _IDLE_ODD)

    def put(self, even, odd):
        out = self._out
        out[0] = odd  # travels on to the far register
        out[1] = even
        self._spi.write(out)
        self._latch.value(1)
        self._latch.value(0)

    def holds(self, even, odd):  # noqa: ARG002 -- same interface as Expander; there is no way back from the register
        return True


class Mux:
    def __init__(self, port, alive, groups, off_us):
        self._port = port
        self._alive = alive
        self._groups = groups
        self._off_us = off_us
        self._open = False
        self._opened_us = 0
        self._even = _NONE
        self._odd = _NONE

    def begin(self):
        self._port.begin()
        self._open = True
        self._opened_us = time.ticks_us() & MASK

    def keep_alive(self):
        self._alive.value(1)
        self._alive.value(0)

    def open_all(self):
        self._port.put(_IDLE_EVEN, _IDLE_ODD)
        if not self._open:
            self._opened_us = time.ticks_us() & MASK
            self._open = True

    def is_open(self):
        # Read back where the part allows it.
        return self._port.holds(_IDLE_EVEN, _IDLE_ODD)

    # Whether the part shows the zero relay commanded: one that lost its settings in a brown-out does not.
    def is_zero(self):
        return self._port.holds(_NONE, _NONE)

    def close_group(self, group):
        self._close_pair(group, _ZERO_OFF)

    # Group 1..N sits between taps group-1 and group.
    def _close_pair(self, group, zero_off):
        if not 1 <= group <= self._groups:
            raise ValueError("group")
        if group & 1:  # taps group-1 (even) and group (odd)
            self._close((group - 1) >> 1, (group - 1) >> 1, zero_off)
        else:
            self._close(group >> 1, (group - 2) >> 1, zero_off)

    # A group with the zero resistor across it: a known load, far below a milliampere.
    def close_loaded(self, group):
        self._close_pair(group, 0)

    # One tap alone, with the zero resistor to the other line: that line comes along, however far away the tap is. Its
    # own open relays would hold it back, and volts that are not there would be seen.
    def close_tap(self, tap):
        if not 0 <= tap <= self._groups:
            raise ValueError("tap")
        if tap & 1:
            self._close(_NONE, tap >> 1, 0)
        else:
            self._close(tap >> 1, _NONE, 0)

    # The zero resistor lets go; the taps stay as they are.
    def release_zero(self):
        self.keep_alive()
        self._port.put(self._even | _ZERO_OFF, self._odd)

    def close_zero(self):
        self._close(_NONE, _NONE, 0)

    def _close(self, even, odd, zero_off):
        if not self._open:
            self.open_all()
        waited = ((time.ticks_us() & MASK) - self._opened_us) & MASK
        if waited < self._off_us:
            time.sleep_us(self._off_us - waited)
        self.keep_alive()
        self._open = False  # before the write: if it fails half way, the next step opens first
        self._even = even
        self._odd = odd
        self._port.put(even | zero_off, odd)

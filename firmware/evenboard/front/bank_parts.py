# Converters of a divider bank: eight channels of 16 bits on SPI, 0 to full scale. Commands from memory of data sheets.
#
# Both hand out a conversion in the transfer that asks for the next one: `next(channel)` starts that channel and returns
# the code of the one before. `begin` sets the part up; OSError when it does not answer as it must. A pull-up at MISO
# makes an absent part read full scale. Nothing is allocated after the constructor.

from micropython import const

FULL = const(0xFFFF)
_MANUAL = const(0xC0)  # ADS8688: high byte of "convert channel n next": | n << 2
_RANGE = const(0x05)  # address of channel 0's range register, one a channel
_TO_10V = const(0x05)  # 0 to 10.24 V
_SINGLE = const(0x84)  # LTC1867: one input against ground, unipolar, awake


# ADS8688 class: frames of 32 clocks, a command of 16 bits first, the code in the last 16.
class ADS8688:
    phase = 1  # data is taken at the falling edge

    def __init__(self, spi, select):
        self._spi = spi
        self._select = select
        self._out = bytearray(4)
        self._in = bytearray(4)

    # Sets the ranges and reads them back: an absent part fails here.
    def begin(self):
        for channel in range(8):
            self._exchange((_RANGE + channel) << 1 | 1, _TO_10V)
            self._exchange((_RANGE + channel) << 1, 0)
            if self._in[2] != _TO_10V:
                raise OSError(5)

    def next(self, channel):
        self._exchange(_MANUAL | channel << 2, 0)
        return self._in[2] << 8 | self._in[3]

    def _exchange(self, high, low):
        self._out[0] = high
        self._out[1] = low
        self._select.value(0)
        self._spi.write_readinto(self._out, self._in)
        self._select.value(1)


# LTC1867 class: frames of 16 clocks, a word of seven bits first. Chip select going high starts the conversion, 3.5 us
# at most: less than what lies between two transfers. It has no register that could be read back.
class LTC1867:
    phase = 0

    def __init__(self, spi, select):
        self._spi = spi
        self._select = select
        self._out = bytearray(2)
        self._in = bytearray(2)

    # The dividers are open now, so every input is near zero; full scale is what a pull-up gives.
    def begin(self):
        self.next(0)
        if self.next(0) == FULL:
            raise OSError(5)

    def next(self, channel):
        # the lowest bit of the channel stands before the other two
        self._out[0] = _SINGLE | (channel & 1) << 6 | (channel & 4) << 3 | (channel & 2) << 3
        self._select.value(0)
        self._spi.write_readinto(self._out, self._in)
        self._select.value(1)
        return self._in[0] << 8 | self._in[1]


PARTS = {"ads8688": ADS8688, "ltc1867": LTC1867}

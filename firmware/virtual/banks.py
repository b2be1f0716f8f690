# Models of a divider bank's converters, 16 bits, after the data sheets (from memory), not after the drivers. Their
# noise is that of the signal-to-noise ratio there. The dividers scale `full_mv` at a tap to the part's full scale.


class BankConverter:
    NOISE = 0  # thousandths of a step, standard deviation

    def __init__(self, board, first_tap, full_mv):
        self._board = board
        self._first = first_tap
        self._full_mv = full_mv
        self._code = 0

    def _convert(self, channel):
        if channel >= len(self._full_mv):
            self._code = 0
            return
        uv = self._board.joined_tap_uv(self._first + channel)
        full_mv = self._full_mv[channel]
        part = uv // full_mv  # of 1000
        rest = (uv - part * full_mv) * 8192 // full_mv * 8  # of 65536, in two steps: no product above 2^30
        code = part * 65536 + rest + self._board.world.noise(self.NOISE)  # 1000 times the code
        self._code = max(0, min(0xFFFF, (code + 500) // 1000))


# ADS8688 class: frames of 32 clocks, command in the first 16; the answer to "convert channel n next" comes in the frame
# after. Range registers from 0x05 on.
class Bank32(BankConverter):
    NOISE = 600  # 92 dB

    def __init__(self, board, first_tap, full_mv):
        BankConverter.__init__(self, board, first_tap, full_mv)
        self._registers = bytearray(32)

    def exchange(self, out, into):
        into[0] = into[1] = 0
        into[2] = self._code >> 8
        into[3] = self._code & 0xFF
        high = out[0]
        if high & 0xE0 == 0xC0:
            channel = high >> 2 & 7
            if self._registers[5 + channel] == 5:
                self._convert(channel)
            else:
                self._code = 0
        elif high & 1:
            self._registers[high >> 1] = out[1]
        else:
            into[2] = self._registers[high >> 1]


# LTC1867 class: frames of 16 clocks; single-ended, channel bit 0, bit 2, bit 1, common, unipolar, sleep. The code
# shifted out is that of the word before.
class Bank16(BankConverter):
    NOISE = 800  # 89 dB
    ORDER = (0x8, 0xC, 0x9, 0xD, 0xA, 0xE, 0xB, 0xF)  # upper four bits of the word, channel 0 to 7

    def exchange(self, out, into):
        into[0] = self._code >> 8
        into[1] = self._code & 0xFF
        word = out[0]
        if word & 0x0E == 0x04 and word >> 4 in self.ORDER:
            self._convert(self.ORDER.index(word >> 4))
        else:
            self._code = 0x8000  # a pair of inputs, bipolar or asleep: nothing that the firmware asks for

# Frames in and out over one byte stream. One buffer each way, made once; a stuck line costs frames, never time.
#
# `write(buf, n)` is whatever takes the first n bytes of a buffer, in bounded time, and returns how many it took.
# Commands are answered once; a repeated one (same code and number) gets the same answer and is not done again.

import struct

from evenstring_protocol import best as framing
from evenstring_protocol import wire
from micropython import const

_BODY = const(640)
_RX = const(320)
_SLOW_MS = const(50)  # a write that takes longer means that nobody reads


class Link:
    def __init__(self, write, clock):
        self._write = write
        self._clock = clock
        self.body = bytearray(_BODY)
        self.stuffed = bytearray(framing.encoded_size(_BODY))
        self.rx = bytearray(_RX)
        self._rx_n = 0
        self._rx_lost = False
        self._seq = 0
        self._stuck = False
        self._probe_low = 0
        self._probe_high = 0
        self.sent = 0
        self.dropped = 0
        self.bad = 0

    # Write the header; the caller fills body[HEADER_SIZE:] and calls `send` with the whole size.
    def head(self, code, low=-1, high=0):
        # `low` and `high`: the instant, when it is not now.
        c = self._clock
        if low < 0:
            low = c.low
            high = c.high
        struct.pack_into(wire.HEADER_FORMAT, self.body, 0, code, self._seq, low, high)

    # Close, stuff and write the frame in `body`. Returns False when it was dropped.
    def send(self, n):
        self._seq = (self._seq + 1) & 0xFFFF
        clock = self._clock
        if self._stuck:
            if clock.since(self._probe_low, self._probe_high) < 1000:
                self.dropped = (self.dropped + 1) & 0xFFFF
                return False
            self.probe()
            if self._stuck:
                self.dropped = (self.dropped + 1) & 0xFFFF
                return False
        self._put(self.stuffed, self.stuff(n))
        self.sent += 1
        return True

    # The frame in `body`, closed, into `stuffed`; returns its size there.
    def stuff(self, n):
        framing.put_crc(self.body, n)
        return framing.encode(self.body, n + 4, self.stuffed)

    # One 0x00: harmless to a reader, and tells whether anybody takes bytes.
    def probe(self):
        self.stuffed[0] = 0
        self._put(self.stuffed, 1)

    def _put(self, buf, n):
        clock = self._clock
        clock.service()
        low = clock.low
        high = clock.high
        written = self._write(buf, n)
        clock.service()
        # Some ports say that all was written and drop it: the time taken tells. A torn frame ends with the next probe.
        self._stuck = written != n or clock.since(low, high) > _SLOW_MS
        if self._stuck:
            self._probe_low = clock.low
            self._probe_high = clock.high

    # Take one received byte. Returns the size of a good frame now standing in `rx`, or 0.
    def take(self, byte):
        if byte:
            if self._rx_n < _RX:
                self.rx[self._rx_n] = byte
                self._rx_n += 1
            else:
                self._rx_lost = True
            return 0
        n = self._rx_n
        lost = self._rx_lost
        self._rx_n = 0
        self._rx_lost = False
        if not n:
            return 0
        size = -1 if lost else framing.decode(self.rx, n, self.rx)
        if size < wire.HEADER_SIZE + 4 or not framing.crc_ok(self.rx, size):
            self.bad = (self.bad + 1) & 0xFFFF
            return 0
        return size - 4

    # Text with its length before it, into `body`; returns the place behind it.
    def put_text(self, at, text):
        data = text.encode()[:120]
        self.body[at] = len(data)
        self.body[at + 1 : at + 1 + len(data)] = data
        return at + 1 + len(data)

    def reply(self, code, seq, status, detail=""):
        self.head(wire.REPLY)
        struct.pack_into(wire.REPLY_FORMAT, self.body, wire.HEADER_SIZE, code, seq, status)
        n = self.put_text(wire.HEADER_SIZE + wire.REPLY_SIZE, detail)
        self.send(n)

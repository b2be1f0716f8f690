# Commands about the recording on the board: control, list, read, check, erase. Outside the scan path; may allocate.
#
# Sums and longer reads are spread over turns of the main loop, so that scans and the watchdog go on.
# Erasing needs the size and CRC of what the host has verified on its own disk: a segment that grew or differs stays.

import binascii
import struct

from evenstring_protocol import wire
from micropython import const

_PIECE = const(512)
_AT = wire.HEADER_SIZE + wire.SEGMENT_DATA_SIZE + 2  # where the data of SEGMENT_DATA begin, behind their length
_LISTED = const(24)
_PIECES = const(16)  # in one turn of the main loop, and no more than
_TURN_MS = const(60)  # a seventh of a relay scan of 24 groups; our choice


# Loaded by the first of these commands and let go when they end: see `App._ask`.
def do(app, code, rx, size):
    desk = _Desk(app)
    if code == wire.RECORD:
        return desk.record(app, rx, size)
    if code == wire.LIST_SEGMENTS:
        return desk.listing(app, rx, size)
    if code == wire.READ_SEGMENT:
        return desk.read(app, rx, size)
    if code == wire.CHECK_SEGMENT:
        return desk.check(app, rx, size)
    return desk.erase(app, rx, size)


class _Desk:
    def __init__(self, app):
        self._recorder = app.watch.recorder
        self._store = self._recorder.store

    def record(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.RECORD_SIZE or rx[wire.HEADER_SIZE] > wire.RECORD_MODE_ON:
            return wire.STATUS_BAD_VALUE, "no such mode"
        self._recorder.set_mode(rx[wire.HEADER_SIZE])
        self._recorder.service()
        app.watch.send_recorder(app)
        return wire.STATUS_OK, ""

    def listing(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.LIST_SEGMENTS_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        self._recorder.flush()
        app.watch.send_recorder(app)
        first = _u32(rx, wire.HEADER_SIZE)
        found = self._store.listing(first, _LISTED + 1)
        more = len(found) > _LISTED
        found = found[:_LISTED]
        n = len(found)
        link = app.link
        link.head(wire.SEGMENTS)
        at = wire.HEADER_SIZE
        struct.pack_into(wire.SEGMENTS_FORMAT, link.body, at, more, n)
        at += wire.SEGMENTS_SIZE
        for k in range(n):
            _put_u32(link.body, at + 4 * k, found[k][0])
            _put_u32(link.body, at + 4 * n + 4 * k, found[k][1])
            link.body[at + 8 * n + k] = found[k][2]
        link.send(at + 9 * n)
        return wire.STATUS_OK, ""

    # More than one piece comes as a row of SEGMENT_DATA, a few each turn of the main loop.
    def read(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.READ_SEGMENT_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        wanted = struct.unpack_from("<H", rx, wire.HEADER_SIZE + 8)[0]
        at = _u32(rx, wire.HEADER_SIZE + 4)
        app.commands.job = _Reading(app, _u32(rx, wire.HEADER_SIZE), at, at + wanted)
        return None

    def check(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.CHECK_SEGMENT_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        return self._sum(app, _u32(rx, wire.HEADER_SIZE), _u32(rx, wire.HEADER_SIZE + 4), None)

    def erase(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.ERASE_SEGMENT_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        number, length, crc = (_u32(rx, wire.HEADER_SIZE + 4 * k) for k in range(3))
        return self._sum(app, number, length, crc)

    # Who asks again while it runs gets the answer of the one that runs.
    def _sum(self, app, number, length, wanted):
        job = app.commands.job
        if not isinstance(job, _Sum) or (job.number, job.end, job.wanted) != (number, length, wanted):
            app.commands.job = _Sum(app, number, length, wanted)


# Goes through a segment from `at` to `end`, in each turn of the main loop for a bounded time. The file is opened anew
# each turn: the recorder may have deleted it meanwhile.
class _Walk:
    def __init__(self, app, number, at, end):
        self.number = number
        self.at = at
        self.end = end
        self._store = app.watch.recorder.store
        self._piece = memoryview(app.link.body)[_AT : _AT + _PIECE]  # free between frames

    def step(self, app):
        clock = app.clock
        clock.service()
        low = clock.low
        high = clock.high
        found = self._store.opened(self.number)
        if found is None:
            return wire.STATUS_BAD_VALUE, "no such segment"
        with found[0] as file:
            file.seek(self.at)
            for _ in range(_PIECES):
                n = file.readinto(self._piece[: min(_PIECE, max(min(self.end, found[1]) - self.at, 0))])
                done = self._take(app, n)
                clock.service()
                if done or clock.since(low, high) >= _TURN_MS:
                    break
        return self._end(app) if done else None


# Sends what it reads. A piece that the line did not take ends it: the host asks again from there.
class _Reading(_Walk):
    def _take(self, app, n):
        link = app.link
        link.head(wire.SEGMENT_DATA)
        at = wire.HEADER_SIZE
        _put_u32(link.body, at, self.number)
        _put_u32(link.body, at + 4, self.at)
        struct.pack_into("<H", link.body, at + wire.SEGMENT_DATA_SIZE, n)
        self.at += n
        return not link.send(_AT + n) or n < _PIECE or self.at >= self.end

    def _end(self, app):  # noqa: ARG002 -- as the other one
        return wire.STATUS_OK, ""


# Sums the segment, and erases it where `wanted` is the sum.
class _Sum(_Walk):
    def __init__(self, app, number, length, wanted):
        _Walk.__init__(self, app, number, 0, length)
        self.wanted = wanted
        self._crc = 0

    def _take(self, app, n):  # noqa: ARG002 -- as the other one
        self._crc = binascii.crc32(self._piece[:n], self._crc)
        self.at += n
        return n == 0 or self.at >= self.end

    def _end(self, app):
        crc = self._crc & 0xFFFFFFFF
        if self.at < self.end or (self.wanted is not None and crc != self.wanted):
            return wire.STATUS_BAD_VALUE, "no such segment, or it is shorter, or not what was verified"
        if self.wanted is not None:
            if self._store.remove(self.number, self.end) < 0:
                return wire.STATUS_NOT_NOW, "still being written, or longer than verified"
            return wire.STATUS_OK, ""
        link = app.link
        link.head(wire.SEGMENT_SUM)
        for k, value in enumerate((self.number, self.end, crc)):
            _put_u32(link.body, wire.HEADER_SIZE + 4 * k, value)
        link.send(wire.HEADER_SIZE + wire.SEGMENT_SUM_SIZE)
        return wire.STATUS_OK, ""


def _u32(buf, at):
    low, high = struct.unpack_from("<HH", buf, at)
    return low | high << 16


def _put_u32(buf, at, value):
    struct.pack_into("<HH", buf, at, value & 0xFFFF, value >> 16)

# Commands about the recording on the board: control, list, read, check, erase. Outside the scan path; may allocate.
#
# Erasing needs the size and CRC of what the host has verified on its own disk: a segment that grew or differs stays.

import binascii
import struct

from evenstring_protocol import wire
from micropython import const

_PIECE = const(512)
_AT = wire.HEADER_SIZE + wire.SEGMENT_DATA_SIZE + 2  # where the data of SEGMENT_DATA begin, behind their length
_LISTED = const(24)


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
        self._piece = memoryview(app.link.body)[_AT : _AT + _PIECE]  # free between frames

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

    def read(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.READ_SEGMENT_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        number = _u32(rx, wire.HEADER_SIZE)
        offset = _u32(rx, wire.HEADER_SIZE + 4)
        wanted = min(struct.unpack_from("<H", rx, wire.HEADER_SIZE + 8)[0], _PIECE)
        found = self._store.opened(number)
        if found is None:
            return wire.STATUS_BAD_VALUE, "no such segment"
        with found[0] as file:
            file.seek(offset)
            n = file.readinto(self._piece[: min(wanted, max(found[1] - offset, 0))])
        link = app.link
        link.head(wire.SEGMENT_DATA)
        at = wire.HEADER_SIZE
        _put_u32(link.body, at, number)
        _put_u32(link.body, at + 4, offset)
        struct.pack_into("<H", link.body, at + wire.SEGMENT_DATA_SIZE, n)
        link.send(_AT + n)
        return wire.STATUS_OK, ""

    def check(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.CHECK_SEGMENT_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        number = _u32(rx, wire.HEADER_SIZE)
        length = _u32(rx, wire.HEADER_SIZE + 4)
        crc = self._sum(number, length)
        if crc is None:
            return wire.STATUS_BAD_VALUE, "no such segment, or it is shorter"
        link = app.link
        link.head(wire.SEGMENT_SUM)
        for k, value in enumerate((number, length, crc)):
            _put_u32(link.body, wire.HEADER_SIZE + 4 * k, value)
        link.send(wire.HEADER_SIZE + wire.SEGMENT_SUM_SIZE)
        return wire.STATUS_OK, ""

    # None: no such segment, or it is shorter.
    def _sum(self, number, length):
        found = self._store.opened(number)
        if found is None:
            return None
        crc = 0
        with found[0] as file:
            if length > found[1]:
                return None
            file.seek(0)
            for at in range(0, length, _PIECE):
                n = file.readinto(self._piece[: min(_PIECE, length - at)])
                crc = binascii.crc32(self._piece[:n], crc)
        return crc & 0xFFFFFFFF

    def erase(self, _, rx, size):
        if size < wire.HEADER_SIZE + wire.ERASE_SEGMENT_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        number, length, crc = (_u32(rx, wire.HEADER_SIZE + 4 * k) for k in range(3))
        if self._sum(number, length) != crc:
            return wire.STATUS_BAD_VALUE, "not there, or not what was verified"
        done = self._store.remove(number, length)
        if done < 0:
            return wire.STATUS_NOT_NOW, "still being written, or longer than verified"
        return wire.STATUS_OK, ""


def _u32(buf, at):
    low, high = struct.unpack_from("<HH", buf, at)
    return low | high << 16


def _put_u32(buf, at, value):
    struct.pack_into("<HH", buf, at, value & 0xFFFF, value >> 16)

# The correction of each channel by command: checked as a whole, stored twice, in force from the next scan on.
#
# The main copy is a file beside the board description, written anew and renamed; the one before stays as `.old`. The
# second copy stands in the latch, which has two generations of its own. A main copy that is bad or gone is made anew
# from the second one, and CALIBRATION says so. Main first, then second: a power cut between leaves the new one whole.
#
# A record also holds the CRC of the description's own correction: it goes before that one, but not before another
# that a later description brings.
#
# Record: magic, W (by command) or R (put back), that CRC, the payload of WRITE_CALIBRATION, CRC-32 of all before it.
# A command that comes again changes nothing: the same correction is not written over itself, and what was put back
# stays so.

import struct
from array import array

from evenboard.base import files
from evenstring_protocol import framing, wire
from micropython import const

_MAGIC = b"EVCALIB"
_WRITTEN = const(87)
_RESTORED = const(82)
_HEAD = const(12)  # magic and the CRC of the description's own
_FIXED = wire.WRITE_CALIBRATION_SIZE
_NONE = const(65535)
_OFFSET_REACH_UV = const(50000)
_GAIN_REACH_PPM = const(10000)


class Calibration:
    # data: the board description in force; its `meter` follows the correction. latch: None where there is no memory.
    def __init__(self, app, data, path, latch=None):
        self._front = app.front
        self._link = app.link
        self._data = data
        self._own = data.get("calibration")
        self._meter = data.get("meter")
        self._path = path
        self._latch = latch
        self._record = b""  # b"": the description's own is in force
        self._source = wire.CALIBRATION_SOURCE_NONE
        self._copies = 0
        self._load()
        app.calibration = self
        app.handlers[wire.READ_CALIBRATION] = self._read
        app.handlers[wire.WRITE_CALIBRATION] = self._write
        app.handlers[wire.RESTORE_CALIBRATION] = self._restore

    # At the start: the main copy, else the second one, else the description's.
    def _load(self):
        main = self._checked(files.contents(self._path))
        second = self._checked(self._latch.calibration) if self._latch else b""
        if second and not main:
            self._copies |= wire.CALIBRATION_MAIN_BAD
            files.put(self._path, second)
        elif main and main != second:
            self._keep_second(main)
        self._apply(main or second)

    # The record, or b"" when it is damaged, of another board or older than the description.
    def _checked(self, record):
        size = _HEAD + _FIXED + 6 * self._front.groups + 4
        if len(record) != size or record[:7] != _MAGIC or not framing.crc_ok(record, size):
            return b""
        if record[7] not in (_WRITTEN, _RESTORED) or record[8:_HEAD] != self._own_sum():
            return b""
        return b"" if self._problem(record[_HEAD:]) else record

    def _made(self, how, payload):
        record = _MAGIC + bytes((how,)) + self._own_sum() + payload
        return record + _sum(record)

    # What is wrong with the payload of a WRITE_CALIBRATION, or "".
    def _problem(self, payload):
        groups = self._front.groups
        if len(payload) < _FIXED or payload[0] != groups:
            return "the board has %d groups" % groups
        if len(payload) < _FIXED + 6 * groups:
            return "payload too short"
        offsets, gains = _values(payload, groups)
        for value in offsets:
            if not -_OFFSET_REACH_UV <= value <= _OFFSET_REACH_UV:
                return "an offset is beyond 50 mV: that is a fault, not a calibration"
        for value in gains:
            if not -_GAIN_REACH_PPM <= value <= _GAIN_REACH_PPM:
                return "a gain is beyond 10,000 ppm: that is a fault, not a calibration"
        return ""

    def _own_arrays(self):
        own = self._own or {}
        n = self._front.groups
        return array("i", own.get("offset_uv") or [0] * n), array("h", own.get("gain_ppm") or [0] * n)

    def _own_sum(self):
        offsets, gains = self._own_arrays()
        return _sum(bytes(offsets) + bytes(gains))

    # Between two scans, so that no scan is read by two corrections.
    def _apply(self, record):
        self._record = record
        if record:
            payload = record[_HEAD:]
            offsets, gains = _values(payload, self._front.groups)
            self._source = wire.CALIBRATION_SOURCE_COMMAND
            self._data["meter"] = self._meter_of(payload)
        else:
            offsets, gains = self._own_arrays()
            self._source = wire.CALIBRATION_SOURCE_DESCRIPTION if self._own else wire.CALIBRATION_SOURCE_NONE
            self._data["meter"] = self._meter or {}
        self._front.correct(offsets, gains, self._source != wire.CALIBRATION_SOURCE_NONE)

    # The description's meter with what the correction leaves, where that is stated.
    def _meter_of(self, payload):
        meter = dict(self._meter or {})
        _, channel_u_uv, gain_u_ppm, _, _ = struct.unpack_from(wire.WRITE_CALIBRATION_FORMAT, payload, 0)
        if channel_u_uv != _NONE:
            meter["channel_u_uv"] = channel_u_uv
        if gain_u_ppm != _NONE:
            meter["gain_u_ppm"] = gain_u_ppm
        return meter

    # CALIBRATION into the link's buffer; returns its size.
    def fill(self):
        link = self._link
        copies = self._copies
        if self._record and not self._latch:
            copies |= wire.CALIBRATION_NO_SECOND
        if self._was_written():
            copies |= wire.CALIBRATION_OLDER
        payload = self._record[_HEAD:-4] if self._record else self._own_payload()
        body = link.body
        link.head(wire.CALIBRATION)
        body[wire.HEADER_SIZE] = self._source
        body[wire.HEADER_SIZE + 1] = copies
        at = wire.HEADER_SIZE + 2
        body[at : at + len(payload)] = payload
        return at + len(payload)

    def _own_payload(self):
        offsets, gains = self._own_arrays()
        meter = self._meter or {}
        fixed = bytearray(_FIXED)
        channel_u_uv = meter.get("channel_u_uv", _NONE)
        gain_u_ppm = meter.get("gain_u_ppm", _NONE)
        n = self._front.groups
        struct.pack_into(wire.WRITE_CALIBRATION_FORMAT, fixed, 0, n, channel_u_uv, gain_u_ppm, 0, 0)
        return bytes(fixed) + bytes(offsets) + bytes(gains)

    def _read(self, app, rx, size):  # noqa: ARG002 -- signature of all handlers
        app.link.send(self.fill())
        return wire.STATUS_OK, ""

    def _write(self, app, rx, size):
        payload = bytes(memoryview(rx)[wire.HEADER_SIZE : size])
        problem = self._problem(payload)
        if problem:
            return wire.STATUS_BAD_VALUE, problem
        record = self._made(_WRITTEN, payload[: _FIXED + 6 * self._front.groups])
        if record != self._record:
            _part(app)
            if not self._exchange(record):
                return wire.STATUS_FAILED, "flash: the calibration could not be written; the one before is in force"
        return self._tell(app)

    def _restore(self, app, rx, size):  # noqa: ARG002 -- signature of all handlers
        if self._was_written():
            _part(app)
            older = self._checked(files.contents(self._path + ".old"))
            done = self._put_back(self._made(_RESTORED, older[_HEAD:-4])) if older else self._remove()
            if not done:
                return wire.STATUS_FAILED, "flash: the earlier calibration could not be written"
        return self._tell(app)

    # Whether a command put the one in force there: then there is something to take back.
    def _was_written(self):
        return len(self._record) > 0 and self._record[7] == _WRITTEN

    def _tell(self, app):
        app.link.send(self.fill())
        if self._copies & wire.CALIBRATION_NO_SECOND:
            return wire.STATUS_OK, "in force, but no second copy could be written"
        return wire.STATUS_OK, ""

    # `record` becomes the main copy, the one in force `.old`; then the second copy follows.
    def _exchange(self, record):
        old = self._path + ".old"
        if not (files.put(old, self._record) if self._record else files.removed(old)):
            return False
        return self._put_back(record)

    def _put_back(self, record):
        if not files.put(self._path, record):
            return False
        self._copies = 0
        self._keep_second(record)
        self._apply(record)
        return True

    # Back to the description's own. The second copy goes first: it must not bring the main one back.
    def _remove(self):
        self._copies = 0
        self._keep_second(b"")
        if self._copies or not files.removed(self._path):
            return False
        self._apply(b"")
        return True

    def _keep_second(self, record):
        if not self._latch:
            return
        self._latch.calibration = record
        if not self._latch.save():
            self._copies |= wire.CALIBRATION_NO_SECOND


# Readings to come will be corrected otherwise: they begin a segment of their own, whose head says how.
def _part(app):
    if app.watch and app.watch.recorder:
        app.watch.recorder.begin_anew()


def _values(payload, groups):
    offsets = struct.unpack_from("<%di" % groups, payload, _FIXED)
    return offsets, struct.unpack_from("<%dh" % groups, payload, _FIXED + 4 * groups)


def _sum(data):
    buf = bytearray(len(data) + 4)
    buf[: len(data)] = data
    framing.put_crc(buf, len(data))
    return bytes(buf[len(data) :])

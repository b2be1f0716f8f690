# How many hours the record memory holds, for IDENT: from the bytes that an hour of recording took so far, and until
# there is a measure from 5 bits a reading at the pace in force. Called between scans, with every IDENT.

from evenstring_protocol import wire
from micropython import const

_ENOUGH = const(16384)  # four blocks: what waits unflushed is then under an eighth of it
_LONG = const(262144)  # older bytes count half, so that the measure follows what the vehicle does now
_MOST = const(65534)
_HOUR_MS = const(3600000)
_BITS = const(5)


class RecordHours:
    def __init__(self, recorder, clock):
        self._recorder = recorder
        self._clock = clock
        self._bytes = 0
        self._ms = 0
        self._running = False
        self._written = 0
        self._low = 0
        self._high = 0

    # Bytes written and time passed since the last look, if it was recording all the while.
    def look(self):
        recorder = self._recorder
        clock = self._clock
        running = recorder.state == wire.RECORDER_STATE_RECORDING
        if running and self._running:
            self._bytes += (recorder.store.written - self._written) & 0x3FFFFFFF
            self._ms += clock.since(self._low, self._high)
        self._running = running
        self._written = recorder.store.written
        self._low = clock.low
        self._high = clock.high
        if self._bytes > _LONG:
            self._bytes >>= 1
            self._ms >>= 1

    # (room, free, basis) in tenths of an hour; pace_ms: from one scan to the next.
    def hours(self, pace_ms):
        store = self._recorder.store
        self.look()
        if self._bytes >= _ENOUGH and self._ms:
            per_hour = self._bytes * _HOUR_MS // self._ms
            basis = wire.RECORD_BASIS_MEASURED
        else:
            encoder = self._recorder.encoder
            values = encoder.groups + 1 + encoder.currents + encoder.packs + encoder.temps
            per_hour = values * _BITS * (_HOUR_MS // max(pace_ms, 1)) // 8
            basis = wire.RECORD_BASIS_ASSUMED
        # Flash is given out in whole pieces; a recording that ends leaves the last one part empty.
        if store.closed:
            per_hour = per_hour * store.taken // store.closed
        # One segment's room is made free before it is written.
        room = max(store.room - store.segment // 2, 0)
        free = max(room - store.used - store.size, 0)
        return _tenths(room, per_hour), _tenths(free, per_hour), basis


def _tenths(size, per_hour):
    return min(10 * size // max(per_hour, 1), _MOST)

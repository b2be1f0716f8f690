# Records by itself, with no computer attached: scans into delta blocks, blocks and alarms into segments.
#
# `add` takes a scan and allocates nothing. `service` runs between scans, relays open, and is the only place that
# touches flash: mostly one append (no allocation), else its unlocked slot `rotate`, `keep`, `end` (files are opened,
# renamed, deleted; counted in `rotations`). An alarm closes the block at once, and again 50 scans later; the segment is
# kept. A power cut costs at most the scans not yet in a closed block: `unflushed_ms` says how many milliseconds.
#
# Blocks end where a piece of flash ends (`_aim`, `_fill_up`), so that the next append begins one and copies nothing.

from array import array
from struct import pack_into

from evenboard.flash.store import left
from evenboard.line import messages
from evenstring_protocol import best as framing
from evenstring_protocol import wire
from micropython import const

_REST_MS = const(600000)  # recording stops after so long at rest
_REST_10MA = const(20)  # more is charge or load
_MOVED_STEPS = const(75)  # 15 mV away from the resting voltages is charge or load too
_STALL_MS = const(20)
_POST_SCANS = const(50)
_EVENT_ROOM = const(512)  # bytes of ALARM frames waiting for flash
_EVENT = wire.HEADER_SIZE + wire.ALARM_SIZE  # of one, not yet stuffed
_PRESS = wire.HEADER_SIZE + wire.PRESS_SIZE
_LEAST = const(512)  # bytes: a shorter rest of a piece of flash is filled up; holds a block of one scan in any case
_RETRY_SCANS = const(50)  # after a failed write


class Recorder:
    # store: Store. link: its buffers, free between frames, serve for small frames. heads: functions that fill a frame
    # in `link.body`, CRC left out, and return its size: they stand at the head of each segment, and CLOCK behind them.
    def __init__(self, store, encoder, clock, link, heads):
        self.store = store
        self.encoder = encoder
        self._clock = clock
        self._link = link
        self._heads = heads
        self.mode = wire.RECORD_MODE_AUTO
        self.state = wire.RECORDER_STATE_WAITING
        self.memory = 0
        self.blocks = 0
        self.blocks_lost = 0
        self.scans_lost = 0
        self.rotations = 0
        self.worst_stall_ms = 0
        self.stalled = False  # the last service held the board up: the next scan has a gap before it
        self._out = bytearray(framing.encoded_size(len(encoder.buf)))
        self._pending = 0  # bytes in _out that wait for flash
        self._events = bytearray(_EVENT_ROOM)
        self._events_n = 0
        self._seq = 0
        self._urgent = False
        self._rotate_next = False  # the waiting block opens a new segment and is numbered so
        self._ending = False
        self._head_n = _LEAST  # bytes of a segment's head, once known
        self._post = 0
        self.retry = 0  # scans until flash is tried again after a failed write, down to 1; 0: the latest one was good
        self._gap = False
        self._rest = array("h", bytes(2 * encoder.groups))
        self._have_rest = False
        self._last_low = 0
        self._last_high = 0
        self._quiet_low = 0
        self._quiet_high = 0

    # One scan, taken at the clock halves low, high; `now` as the encoder wants it; current in 10 mA or -32768.
    def add(self, low, high, readings, now, current=-32768, flags=0, step_us=0, turn_us=0):
        self._last_low = low
        self._last_high = high
        self._watch(readings, current)
        if self.state != wire.RECORDER_STATE_RECORDING:
            if self.state == wire.RECORDER_STATE_FAILED:
                self.scans_lost = (self.scans_lost + 1) & 0xFFFF
            self._gap = True
            return
        encoder = self.encoder
        if flags & wire.SCAN_GAP_BEFORE and encoder.scans:
            self._close(0)
            self._gap = True
        if not encoder.add(low, high, readings, now):
            self._close(0)
            if not encoder.add(low, high, readings, now):
                self.scans_lost = (self.scans_lost + 1) & 0xFFFF
                return
        if self._gap:
            encoder.flags |= wire.DELTA_GAP_BEFORE
            self._gap = False
        if flags & wire.SCAN_UNSETTLED:
            encoder.flags |= wire.DELTA_UNSETTLED
        encoder.step_us = step_us
        encoder.turn_us = turn_us
        if self._post:
            self._post -= 1
            if self._post == 0:
                self._urgent = True

    # An alarm: five numbers as `Alarms.take` gives them, then the masks. It reaches flash at the next service.
    def alarm(self, event, active, latched):
        at = self._events_n
        if at + _EVENT <= _EVENT_ROOM:
            pack_into(wire.HEADER_FORMAT, self._events, at, wire.ALARM, 0, self._clock.low, self._clock.high)
            messages.put_alarm(self._events, at + wire.HEADER_SIZE, event, active, latched)
            self._events_n += _EVENT
        if event[0] >= wire.ALARM_EASE_OFF:
            return  # what is only foretold goes into the recording, and is no reason to keep it
        if event[1] != wire.ALARM_CHANGE_CLEARED:
            self._urgent = True
            self._post = _POST_SCANS
            if self.state == wire.RECORDER_STATE_WAITING and self.mode != wire.RECORD_MODE_OFF:
                self._start()

    # A press of the button, its frame as it goes over the line; like an alarm it reaches flash at the next service.
    def press(self, frame, size):
        at = self._events_n
        if at + size <= _EVENT_ROOM and self.state == wire.RECORDER_STATE_RECORDING:
            for i in range(size):
                self._events[at + i] = frame[i]
            self._events_n += size

    # Between scans. True: flash was written.
    def service(self):
        self.stalled = False
        if self.state == wire.RECORDER_STATE_FAILED:
            self.retry -= 1
            if self.retry > 1:
                return False
            self.state = wire.RECORDER_STATE_RECORDING
        if not self._urgent and not self._pending and not self._events_n:
            self._end()
            return False
        clock = self._clock
        clock.service()
        low = clock.low
        high = clock.high
        done = self._serve()
        self._aim()
        clock.service()
        stall = clock.since(low, high)
        if stall > self.worst_stall_ms:
            self.worst_stall_ms = min(stall, 65535)
        if stall >= _STALL_MS:
            self.stalled = True
            self.encoder.flags |= wire.DELTA_STALL
        if done:
            self.retry = 0
        else:
            self.state = wire.RECORDER_STATE_FAILED
            self.retry = _RETRY_SCANS
        self._end()
        return done

    # With an alarm the running block goes too, after the one that already waits.
    def _serve(self):
        urgent = self._urgent
        if self._pending and not self._flush(urgent):
            return False
        if urgent and self.encoder.scans and self.state == wire.RECORDER_STATE_RECORDING:
            self._close(wire.DELTA_ALARM)
        self._urgent = False
        return self._flush(urgent) if self._pending or self._events_n else True

    # A recording that stopped leaves no segment open.
    def _end(self):
        if self._ending and not self._pending:
            self._ending = False
            self.store.end()

    # Block and alarms that wait, into the open segment or a new one.
    def _flush(self, keep):
        store = self.store
        if self._pending:
            if (self._rotate_next or not store.is_open) and not self.rotate():
                return False
            self._rotate_next = False
            if not store.append(self._out, self._pending) and not self._again():
                self.blocks_lost = (self.blocks_lost + 1) & 0xFFFF
                self._pending = 0
                return False
            self._pending = 0
            self.blocks += 1
        elif store.is_full(_EVENT_ROOM) and not self.rotate():
            return False
        if self._events_n and not self._write_events():
            return False
        return store.keep() if keep else True

    # The segment could not take it: a new one, once.
    def _again(self):
        self.store.recover()
        return self.rotate() and self.store.append(self._out, self._pending)

    # The unlocked slot: the next segment, with who is speaking, how readings are corrected and what time it is.
    def rotate(self):
        self.rotations += 1
        if not self.store.begin():
            return False
        after = self._seq if self._pending else len(self._heads) + 1
        self._seq = 0
        for fill in self._heads:
            if not self._frame(fill()):
                return False
        done = self._frame(messages.fill_clock(self._link, self._clock))
        self._seq = after
        self._head_n = self.store.size
        return done

    # The frame in the link's buffer into the open segment; a frame of its head goes to flash with what follows it.
    def _frame(self, n, flush=False):
        link = self._link
        body = link.body
        body[1] = self._seq & 0xFF
        body[2] = self._seq >> 8
        self._seq = (self._seq + 1) & 0xFFFF
        return self.store.append(link.stuffed, link.stuff(n), flush)

    def _write_events(self):
        body = self._link.body
        at = 0
        while at < self._events_n:
            size = _EVENT if self._events[at] == wire.ALARM else _PRESS
            for i in range(size):
                body[i] = self._events[at + i]
            at += size
            if not self._frame(size, True):
                self.store.recover()
                return False
        self._events_n = 0
        return True

    # The running block becomes a frame that waits for flash; an older one that still waits is lost and counted.
    def _close(self, flags):
        encoder = self.encoder
        if encoder.scans:
            if self._pending:
                self.blocks_lost = (self.blocks_lost + 1) & 0xFFFF
            encoder.flags |= flags
            self._rotate_next = self.store.is_full(_LEAST)
            if self._rotate_next:
                self._seq = len(self._heads) + 1
            n = encoder.close(self._seq)
            self._seq = (self._seq + 1) & 0xFFFF
            framing.put_crc(encoder.buf, n)
            self._pending = framing.encode(encoder.buf, n + 4, self._out)
            self._fill_up()
        encoder.begin(0)
        self._aim()

    # A short rest of the piece of flash that the waiting block ends in becomes empty frames (0x00).
    def _fill_up(self):
        rest = left(self._end_of_pending())
        if rest < _LEAST and self._pending + rest <= len(self._out):
            for i in range(self._pending, self._pending + rest):
                self._out[i] = 0
            self._pending += rest

    # Where in its segment the running block will begin.
    def _end_of_pending(self):
        return (self._head_n if self._rotate_next else self.store.size) + self._pending

    # The running block shall end where a piece of flash ends: this one, or the next if little is left of this one.
    def _aim(self):
        at = self._end_of_pending()
        if at + _LEAST > self.store.segment or not (self._pending or self.store.is_open):
            at = self._head_n
        room = left(at)
        if room < _LEAST:
            room += left(at + room)
        self.encoder.limit(room)

    # Charge or load starts a recording, rest ends it. Without a current sensor the voltages must tell.
    def _watch(self, readings, current):
        if self.mode != wire.RECORD_MODE_AUTO:
            return
        busy = current != -32768 and (current > _REST_10MA or current < -_REST_10MA)
        busy = self._moved(readings) or busy
        clock_lo = self._last_low
        clock_hi = self._last_high
        if busy:
            self._quiet_low = clock_lo
            self._quiet_high = clock_hi
            if self.state == wire.RECORDER_STATE_WAITING:
                self._start()
        elif self.state == wire.RECORDER_STATE_RECORDING:
            quiet = (((clock_hi - self._quiet_high) & 0x3FFF) << 16) + clock_lo - self._quiet_low
            if quiet >= _REST_MS:
                self.stop()

    # Whether any group left the voltages that it last rested at, which are then taken anew.
    def _moved(self, readings):
        rest = self._rest
        moved = False
        for g in range(self.encoder.groups):
            r = readings[g]
            if r <= wire.LEAD_OPEN or r == wire.OVER_POSITIVE:
                continue
            d = r - rest[g]
            if d > _MOVED_STEPS or d < -_MOVED_STEPS:
                moved = True
        if moved or not self._have_rest:
            first = not self._have_rest
            for g in range(self.encoder.groups):
                rest[g] = readings[g]
            self._have_rest = True
            return moved and not first
        return False

    def _start(self):
        self.state = wire.RECORDER_STATE_RECORDING
        self._gap = True
        self._ending = False
        self._quiet_low = self._last_low
        self._quiet_high = self._last_high

    # What stands unflushed goes to flash at the next service.
    def stop(self):
        self._close(0)
        self._ending = True
        self.state = wire.RECORDER_STATE_WAITING

    def set_mode(self, mode):
        self.mode = mode
        if mode == wire.RECORD_MODE_ON:
            if self.state == wire.RECORDER_STATE_WAITING or self.state == wire.RECORDER_STATE_OFF:
                self._start()
        elif mode == wire.RECORD_MODE_OFF:
            self.stop()
            self.state = wire.RECORDER_STATE_OFF
        elif self.state == wire.RECORDER_STATE_OFF:
            self.state = wire.RECORDER_STATE_WAITING

    # Brings everything to flash now, for a host that wants to read.
    def flush(self):
        if self.state == wire.RECORDER_STATE_RECORDING and not self._pending:
            self._close(0)
        return self.service()

    # What the heads say is about to change: what was read so far goes to flash, what follows into a new segment.
    def begin_anew(self):
        if self._pending:
            self.service()
        self._close(0)
        self._ending = True
        self.service()

    # Milliseconds of scans that a power cut now would cost.
    def unflushed_ms(self):
        if not self.encoder.scans:
            return 0
        start = self.encoder._start_lo
        return (((self._last_high - self.encoder._start_hi) & 0x3FFF) << 16) + self._last_low - start

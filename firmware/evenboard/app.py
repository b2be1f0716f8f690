# The main loop as a state machine: `poll` does one thing and never waits longer than a scan.
#
# States: idle, scanning, fault (not monitoring, everything commanded open), maintenance. The watchdog is fed after a
# completed scan or a handled fault; a longer wait is cut into pieces, each of which ends with everything commanded open
# anew. Time alone never feeds it. One core, no threads, nothing allocated while a scan runs.

import gc
import struct
from array import array

from evenstring_protocol import wire
from micropython import const

from evenboard import load, unload
from evenboard.line import messages

_HEALTH_MS = const(10000)
_IDENT_MS = const(60000)
_RETRY_MS = const(5000)  # a faulty front end is tried again this often
_QUIET_STEPS = const(20)  # 4 mV: less than that is quiet
_QUIET_SCANS = const(10)
_SCAN_HEAD = wire.HEADER_SIZE + wire.SCAN_SIZE
_TRIES = const(3)  # scans that may fail in a row before the board says that it does not monitor
_PIECE_MS = const(3000)  # with the longest scan (2.7 s) and flash write (1.3 s) after it, under the watchdog's 8 s
_LATE_MS = const(20)  # a scan that begins so much later than it was due has a gap before it
_NO_PLACE = const(255)
# Where `App._marks` keeps when each of these was last.
_SCAN = const(0)
_HEALTH = const(2)
_IDENT = const(4)
_RETRY = const(6)
_PLANNED = const(8)  # looked at when the next scan is due
_FED = const(10)  # the watchdog
_HARMLESS = (wire.IDENTIFY, wire.START, wire.STOP)


class App:
    # front: a front end, or None when the board description is bad; problem: what is bad then.
    def __init__(self, board, problem, front, link, clock, feed, reason=wire.RESET_REASON_UNKNOWN, boot_count=0):
        self._board = board
        self._problem = problem
        self._front = front
        self.link = link
        self.clock = clock
        self._feed = feed
        self._reason = reason
        self._boot_count = boot_count
        self.state = wire.STATE_IDLE
        self._fault = wire.FAULT_CONFIG if problem else wire.FAULT_NONE
        self._fault_where = _NO_PLACE
        self._failed = 0
        self._interval_ms = board.get("interval_ms", 0)
        self._quiet_ms = 0
        self._calm = 0
        self._gap = False
        self._seen = array("h", bytes(2 * front.groups)) if front else None
        self._wanted = False  # the host (or the board description) asked for scans
        # Command code: function(app, buffer, size) -> (status, detail), or the name of a module whose `do` has the code
        # besides and which is loaded only then. For parts that add commands.
        self.handlers = {}
        self._guest = None  # module of commands that is in memory now
        self._guest_age = 0  # HEALTHs since it was asked for
        self.boots = None  # counts boots and ends the count of fast ones (evenboard.flash.boots)
        self.heard = False  # a host has spoken since the start
        self.leaving = False  # the main loop is to restart the board (evenboard.start.maintenance)
        self.calibration = None  # correction by command (evenboard.front.calibration)
        self.watch = None  # alarms, signals and recorder, where fitted (evenboard.warn.watch)
        self.scans = 0
        self._longest_ms = 0
        self._marks = [0] * 12  # two halves of the time of each of the events `_SCAN` to `_FED`
        self._due = 0  # ms from that look on
        self._last_code = -1
        self._last_seq = -1
        self._last_status = 0
        self._last_detail = ""

    # After construction: relays open, self-test, and say who is there. A lone delimiter ends console text before it.
    def begin(self):
        self.link.probe()
        if self._front:
            if not self._self_test():
                self._enter_fault(self._front.fault, self._front.fault_where)
        elif self._problem:
            self.state = wire.STATE_FAULT
        self._tick()
        self.send_ident()
        self.send_health()
        if self.calibration:
            self.link.send(self.calibration.fill())
        if self._front and self._board.get("autostart"):
            self._start(self._board.get("interval_ms", 0), self._board.get("quiet_interval_ms", 0))

    # `poll` for the main loop of a board: an error of our own must not leave a relay closed or end the monitor.
    def step(self):
        try:
            return self.poll()
        except Exception:
            self._enter_fault(wire.FAULT_FIRMWARE, _NO_PLACE)
            return 100

    # One step of work. Returns the time in ms for which there is nothing to do.
    def poll(self):
        self._tick()
        if self.boots:
            self.boots.running(self.clock.low, self.clock.high)
        if self.watch:
            self.watch.poll(self)
            if self.state != wire.STATE_SCANNING:
                self.watch.service(self)
        if self._over(_HEALTH, _HEALTH_MS):
            self.send_health()
        if self._over(_IDENT, _IDENT_MS):
            self.send_ident()
        if self.state == wire.STATE_SCANNING:
            if self._late():
                self._gap = True
            wait = self._plan()
            if wait > 0:
                return self._piece(wait)
            self._mark(_SCAN)
            self.scan_once()
            return 0
        if self.state == wire.STATE_FAULT and self._front and self._over(_RETRY, _RETRY_MS):
            self.retry()
            self._fed()
        return self._piece(5)

    # The scan path: read, pack, CRC, COBS, write. Nothing here allocates.
    def scan_once(self):
        front = self._front
        self._tick()
        if not front.scan():
            self._scan_failed(front.fault, front.fault_where)
            self._fed()
            return False
        self._failed = 0
        self._watch_calm()
        watch = self.watch
        if watch:
            watch.scan(self, front)  # warnings come before any write
        self.send_scan()
        self._plan()
        if watch:
            watch.service(self)
            if watch.stalled():
                self._gap = True
        self.scans = (self.scans + 1) & 0x3FFFFFFF
        self._fed()
        return True

    # One bad scan is a gap; a stuck relay or bad scans in a row end the monitoring.
    def _scan_failed(self, fault, where):
        self._gap = True
        self._failed += 1
        self._fault = fault
        self._fault_where = where
        if self.watch:
            self.watch.no_scan()
        if fault == wire.FAULT_STUCK_RELAY or self._failed >= _TRIES:
            self._enter_fault(fault, where)

    # Calm: no group moved more than a few mV from where it last moved.
    def _watch_calm(self):
        readings = self._front.readings
        seen = self._seen
        moved = False
        for i in range(self._front.groups):
            change = readings[i] - seen[i]
            if change > _QUIET_STEPS or change < -_QUIET_STEPS:
                moved = True
                break
        if not moved:
            if self._calm < _QUIET_SCANS:
                self._calm += 1
            return
        self._calm = 0
        for i in range(self._front.groups):
            seen[i] = readings[i]

    def send_scan(self):
        front = self._front
        link = self.link
        sensors = front.sensors
        body = link.body
        link.head(wire.SCAN, front.start_low, front.start_high)
        flags = front.flags
        if self._gap:
            flags |= wire.SCAN_GAP_BEFORE
            self._gap = False
        if self._calm >= _QUIET_SCANS and self._quiet_ms:
            flags |= wire.SCAN_QUIET
        n = front.groups
        currents = len(front.currents) if front.currents else 0
        body[7] = flags
        body[8] = n
        body[9] = front.passes
        body[10] = currents
        body[11] = sensors.packs
        body[12] = sensors.temps
        struct.pack_into("<HH", body, 13, front.step_us, front.turn_us)
        at = self._put(front.readings, front.passes * n, _SCAN_HEAD)
        if currents:
            at = self._put(front.currents, currents, at)
        at = self._put(sensors.pack, sensors.packs, at)
        at = self._put(sensors.temp, sensors.temps, at)
        link.send(at)
        self._tick()

    def _put(self, values, count, at):
        body = self.link.body
        for i in range(count):
            v = values[i]
            body[at] = v & 0xFF
            body[at + 1] = (v >> 8) & 0xFF
            at += 2
        return at

    # Bytes from the host; `data` holds n of them.
    def receive(self, data, n):
        self.heard = True
        for i in range(n):
            size = self.link.take(data[i])
            if size:
                self._command(size)

    def _command(self, size):
        rx = self.link.rx
        code, seq, _, _ = struct.unpack_from(wire.HEADER_FORMAT, rx, 0)
        # IDENTIFY, START and STOP do no harm when done again, whoever sends them; the rest is done once.
        if code not in _HARMLESS and code == self._last_code and seq == self._last_seq:
            self.link.reply(code, seq, self._last_status, self._last_detail)
            return
        status, detail = self._do(code, size)
        self._last_code, self._last_seq, self._last_status, self._last_detail = code, seq, status, detail
        self.link.reply(code, seq, status, detail)
        if code == wire.START and status == wire.STATUS_OK:
            self.send_ident()
            if self.calibration:
                self.link.send(self.calibration.fill())

    def _do(self, code, size):
        rx = self.link.rx
        have = size - wire.HEADER_SIZE
        if code == wire.IDENTIFY:
            self.send_ident()
            return wire.STATUS_OK, ""
        if code == wire.START:
            if have < wire.START_SIZE:
                return wire.STATUS_BAD_VALUE, "payload too short"
            return self._start(*struct.unpack_from(wire.START_FORMAT, rx, wire.HEADER_SIZE))
        if code == wire.STOP:
            self._wanted = False
            if self._front:
                self._front.open_all()
            if self.state == wire.STATE_SCANNING:
                self._go(wire.STATE_IDLE)
            return wire.STATUS_OK, ""
        if code == wire.SET_TIME:
            if have < wire.SET_TIME_SIZE:
                return wire.STATUS_BAD_VALUE, "payload too short"
            self.clock.set(*struct.unpack_from(wire.SET_TIME_FORMAT, rx, wire.HEADER_SIZE))
            return wire.STATUS_OK, ""
        handler = self.handlers.get(code)
        if isinstance(handler, str):
            return self._ask(handler, code, size)
        if handler:
            return handler(self, rx, size)
        self.link.bad = (self.link.bad + 1) & 0xFFFF
        return wire.STATUS_UNKNOWN_COMMAND, "unknown command"

    # Some commands have a module of their own: in memory from the first one to the second HEALTH without one.
    def _ask(self, name, code, size):
        if self._guest and self._guest != name:
            unload(self._guest)
        self._guest = name
        self._guest_age = 0
        try:
            return load(name).do(self, code, self.link.rx, size)
        except (MemoryError, ImportError):
            return wire.STATUS_FAILED, "too little memory to load this command: RESTART, then send it at once"

    def _start(self, interval_ms, quiet_ms):
        if self._problem:
            return wire.STATUS_NOT_NOW, self._problem
        self._interval_ms = interval_ms
        self._quiet_ms = quiet_ms
        self._wanted = True
        if self.state == wire.STATE_FAULT:
            self.retry()
            if self.state == wire.STATE_FAULT:
                return wire.STATUS_FAILED, "front end has a fault"
        if self.state != wire.STATE_SCANNING:
            self._calm = 0
            self._marks[_SCAN] = self.clock.low
            self._marks[_SCAN + 1] = self.clock.high
            self._plan()
            gc.collect()  # once, before the path that allocates nothing
            self._go(wire.STATE_SCANNING)
        return wire.STATUS_OK, ""

    # From one scan to the next when nothing is calm: as told last, before that as the description says.
    def pace_ms(self):
        return max(self._interval_ms, self._front.scan_ms())

    def _self_test(self):
        ok = self._front.self_test()
        if ok and self.watch and self._front.leads:
            self.watch.leads(self._front.leads)
        return ok

    def retry(self):
        self._mark(_RETRY)
        if self._self_test():
            self._fault = wire.FAULT_NONE
            self._fault_where = _NO_PLACE
            self._failed = 0
            self._gap = True
            self._plan()
            self._go(wire.STATE_SCANNING if self._wanted else wire.STATE_IDLE)
        elif self.state == wire.STATE_FAULT:
            self._fault = self._front.fault
            self._fault_where = self._front.fault_where
        else:
            self._enter_fault(self._front.fault, self._front.fault_where)

    def _enter_fault(self, fault, where):
        self._fault = fault
        self._fault_where = where
        if self._front:
            self._front.open_all()
        self._mark(_RETRY)
        self._go(wire.STATE_FAULT)

    def _go(self, state):
        self.state = state
        self.send_health()

    # When the next scan is due, in ms from now. Looked at again and again, so that `_late` can tell.
    def _plan(self):
        self._due = self._due_ms()
        self._mark(_PLANNED)
        return self._due

    # Whether something held the board up since the latest look: a write to flash, a command, a line that takes nothing.
    def _late(self):
        return self._over(_PLANNED, self._due + _LATE_MS)

    # Time until the next scan, 0 when it is due. The pace is counted from start to start.
    def _due_ms(self):
        calm = self._calm >= _QUIET_SCANS and self._quiet_ms
        pace = self._quiet_ms if calm else self._interval_ms
        gone = self.clock.since(self._marks[_SCAN], self._marks[_SCAN + 1])
        return 0 if gone >= pace else pace - gone

    # How much of a wait of that many ms is left before something must be done. A piece that is over ends with
    # everything commanded open; that is what the watchdog is fed for.
    def _piece(self, ms):
        if self._over(_FED, _PIECE_MS):
            front = self._front
            if front and not front.open_all() and self.state == wire.STATE_SCANNING:
                self._scan_failed(front.fault, front.fault_where)
            self._fed()
        return min(ms, _PIECE_MS - self.clock.since(self._marks[_FED], self._marks[_FED + 1]))

    def _fed(self):
        self._mark(_FED)
        self._feed()

    def _tick(self):
        self.clock.service()

    def _over(self, k, limit_ms):
        return self.clock.since(self._marks[k], self._marks[k + 1]) >= limit_ms

    def _mark(self, k):
        clock = self.clock
        if k == _SCAN and self.scans:
            gone = clock.since(self._marks[_SCAN], self._marks[_SCAN + 1])
            if gone > self._longest_ms:
                self._longest_ms = min(gone, 65535)
        self._marks[k] = clock.low
        self._marks[k + 1] = clock.high

    @property
    def front(self):
        return self._front

    @property
    def boot_count(self):
        return self._boot_count

    def send_ident(self):
        self._mark(_IDENT)
        self.link.send(self.fill_ident())

    # IDENT into the link's buffer, which is free between frames; returns its size.
    def fill_ident(self):
        return messages.fill_ident(self, self._board, self._reason)

    def send_health(self):
        self._mark(_HEALTH)
        if self._guest:
            self._guest_age += 1
            if self._guest_age > 1:
                unload(self._guest)
                self._guest = None
        size = messages.fill_health(self, self._fault, self._fault_where, self._longest_ms)
        self._longest_ms = 0
        self.link.send(size)

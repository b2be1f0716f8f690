# The main loop as a state machine: `poll` does one thing and never waits longer than a scan.
#
# States: idle, scanning, fault (not monitoring, everything commanded open), maintenance. The watchdog is fed after a
# completed scan or a handled fault; a longer wait is cut into pieces, each of which ends with everything commanded open
# anew. Time alone never feeds it. One core, no threads, nothing allocated while a scan runs.

import gc
from array import array

from evenstring_protocol import wire
from micropython import const

from evenboard.line import messages
from evenboard.line.commands import Commands

_HEALTH_MS = const(10000)
_IDENT_MS = const(60000)
_RETRY_MS = const(5000)  # a faulty front end is tried again this often
_QUIET_STEPS = const(20)  # 4 mV: less than that is quiet
_QUIET_SCANS = const(10)
_TRIES = const(3)  # scans that may fail in a row before the board says that it does not monitor
_PIECE_MS = const(3000)  # with the longest scan (2.7 s) and flash write (1.3 s) after it, under the watchdog's 8 s
_LATE_MS = const(20)  # a scan that begins so much later than it was due has a gap before it
_AGAIN_MS = const(1000)  # after a scan that failed or showed nothing, however slow the pace
_NO_PLACE = const(255)
# Where `App._marks` keeps when each of these was last.
_SCAN = const(0)
_HEALTH = const(2)
_IDENT = const(4)
_RETRY = const(6)
_PLANNED = const(8)  # looked at when the next scan is due
_FED = const(10)  # the watchdog
_MOVED = const(12)  # a group did, or what was to be done at rest was tried


class App:
    # front: a front end, or None when the board description is bad; problem: what is bad then.
    def __init__(self, board, problem, front, link, clock, feed, reason=wire.RESET_REASON_UNKNOWN, boot_count=0):
        self.board = board
        self._problem = problem
        self.front = front
        self.link = link
        self.clock = clock
        self._feed = feed
        self._reason = reason
        self.boot_count = boot_count
        self.state = wire.STATE_IDLE
        self._fault = wire.FAULT_CONFIG if problem else wire.FAULT_NONE
        self._fault_where = _NO_PLACE
        self._failed = 0
        self.blind = False  # what is to be measured is not: since the latest good scan one failed, or a fault is there
        self._interval_ms = board.get("interval_ms", 0)
        self._quiet_ms = 0
        self._calm = 0
        self._gap = False
        self._seen = array("h", bytes(2 * front.groups)) if front else None
        self._wanted = False  # the host (or the board description) asked for scans
        self.commands = Commands(self)
        self.handlers = self.commands.handlers
        self.hear = None  # function(): takes a few waiting bytes of the host, True if more wait (main.py)
        self.config = None  # path of the description, and bytes of a new one so far (evenboard.line.config)
        self.boots = None  # counts boots and ends the count of fast ones (evenboard.flash.boots)
        self.heard = False  # a host has spoken since the start
        self.leaving = False  # the main loop is to restart the board (evenboard.start.maintenance)
        self.calibration = None  # correction by command (evenboard.front.calibration)
        self.watch = None  # alarms, signals and recorder, where fitted (evenboard.warn.watch)
        self.scans = 0
        self.took_ms = 0  # what the latest good scan took, warning and sending included
        self._longest_ms = 0
        self._marks = [0] * 14  # two halves of the time of each of the events `_SCAN` to `_MOVED`
        self._due = 0  # ms from that look on

    # After construction: relays open, self-test, and say who is there. A lone delimiter ends console text before it.
    def begin(self):
        self.link.probe()
        if self.front:
            if not self._self_test():
                self._enter_fault(self.front.fault, self.front.fault_where)
        elif self._problem:
            self.blind = True
            self.state = wire.STATE_FAULT
        self.clock.service()
        self.introduce()
        self.send_health()
        if self.front and self.board.get("autostart"):
            self.start(self.board.get("interval_ms", 0), self.board.get("quiet_interval_ms", 0))

    # `poll` for the main loop of a board: an error of our own must not leave a relay closed or end the monitor.
    def step(self):
        try:
            more = self.hear() if self.hear else False
            wait = self.poll()
            return 0 if more else wait
        except Exception:
            self._enter_fault(wire.FAULT_FIRMWARE, _NO_PLACE)
            return 100

    # One step of work. Returns the time in ms for which there is nothing to do.
    def poll(self):
        self.clock.service()
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
        self.commands.turn()
        if self.state == wire.STATE_SCANNING:
            if self._late():
                self._gap = True
            wait = self._plan()
            if wait > 0:
                return self._piece(wait)
            self._mark(_SCAN)
            self.scan_once()
            return 0
        if self.state == wire.STATE_FAULT and self.front and self._over(_RETRY, _RETRY_MS):
            self.retry()
            self._fed()
        return self._piece(5)

    # The scan path: read, pack, CRC, COBS, write. Nothing here allocates.
    def scan_once(self):
        front = self.front
        self.clock.service()
        low = self.clock.low
        high = self.clock.high
        if not front.scan():
            self._scan_failed(front.fault, front.fault_where)
            self._fed()
            return False
        self._failed = 0
        self.blind = False
        self._watch_calm()
        watch = self.watch
        if watch:
            watch.scan(self, front)  # warnings come before any write
        self.send_scan()
        self.took_ms = min(self.clock.since(low, high), 65535)
        self._plan()
        if watch:
            watch.service(self)
            if watch.stalled():
                self._gap = True
        self.scans = (self.scans + 1) & 0x3FFFFFFF
        self._fed()
        return True

    # One bad scan is a gap; a stuck relay, an error of our own or bad scans in a row end the monitoring.
    def _scan_failed(self, fault, where):
        self._gap = True
        self._failed += 1
        self._fault = fault
        self._fault_where = where
        self.blind = True
        if self.watch:
            self.watch.poll(self)
            self.watch.service(self)
        if fault == wire.FAULT_STUCK_RELAY or fault == wire.FAULT_FIRMWARE or self._failed >= _TRIES:
            self._enter_fault(fault, where)

    # Calm: no group moved more than a few mV from where it last moved.
    def _watch_calm(self):
        readings = self.front.readings
        seen = self._seen
        moved = False
        for i in range(self.front.groups):
            change = readings[i] - seen[i]
            if change > _QUIET_STEPS or change < -_QUIET_STEPS:
                moved = True
                break
        if not moved:
            if self._calm < _QUIET_SCANS:
                self._calm += 1
            return
        self._calm = 0
        self._mark(_MOVED)
        for i in range(self.front.groups):
            seen[i] = readings[i]

    # Whether nothing moved for so long, once in that time.
    def rests(self, ms):
        if not self._over(_MOVED, ms):
            return False
        self._mark(_MOVED)
        return True

    def send_scan(self):
        flags = self.front.flags
        if self._gap:
            flags |= wire.SCAN_GAP_BEFORE
            self._gap = False
        if self._calm >= _QUIET_SCANS and self._quiet_ms:
            flags |= wire.SCAN_QUIET
        self.link.send(messages.fill_scan(self.link, self.front, flags))
        self.clock.service()

    # Bytes from the host; `data` holds n of them.
    def receive(self, data, n):
        self.heard = True
        for i in range(n):
            size = self.link.take(data[i])
            if size:
                self.commands.take(size)

    def start(self, interval_ms, quiet_ms):
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

    def stop(self):
        self._wanted = False
        if self.front:
            self.front.open_all()
        if self.state == wire.STATE_SCANNING:
            self.blind = False
            self._go(wire.STATE_IDLE)

    # Who speaks, and how its readings are corrected.
    def introduce(self):
        self.send_ident()
        if self.calibration:
            self.link.send(self.calibration.fill())

    # What a scan takes: measured, before the first one as computed.
    def scan_ms(self):
        return self.took_ms or (self.front.scan_ms() if self.front else 0)

    # From one scan to the next when nothing is calm: as told last, before that as the description says.
    def pace_ms(self):
        return max(self._interval_ms, self.scan_ms())

    def _self_test(self):
        ok = self.front.self_test()
        if ok and self.watch and self.front.leads:
            self.watch.leads(self.front.leads)
        return ok

    def retry(self):
        self._mark(_RETRY)
        if self._self_test():
            self._fault = wire.FAULT_NONE
            self._fault_where = _NO_PLACE
            self._failed = 0
            self._gap = True
            self.blind = self.blind and self._wanted  # until a scan is good
            self._plan()
            self._go(wire.STATE_SCANNING if self._wanted else wire.STATE_IDLE)
        elif self.state == wire.STATE_FAULT:
            self._fault = self.front.fault
            self._fault_where = self.front.fault_where
        else:
            self._enter_fault(self.front.fault, self.front.fault_where)

    def _enter_fault(self, fault, where):
        self._fault = fault
        self._fault_where = where
        self.blind = True
        if self.front:
            self.front.open_all()
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
        if self.blind or (self.watch and self.watch.alarms.nothing):
            pace = min(pace, _AGAIN_MS)
        gone = self.clock.since(self._marks[_SCAN], self._marks[_SCAN + 1])
        return 0 if gone >= pace else pace - gone

    # How much of a wait of that many ms is left before something must be done. A piece that is over ends with
    # everything commanded open, or with a dead bus as the fault that it is; that is what the watchdog is fed for.
    def _piece(self, ms):
        if self._over(_FED, _PIECE_MS):
            front = self.front
            if front and not front.open_all():
                if self.state == wire.STATE_SCANNING:
                    self._scan_failed(front.fault, front.fault_where)
                elif self.state == wire.STATE_IDLE:
                    self._enter_fault(front.fault, front.fault_where)
                if front.fault == wire.FAULT_FIRMWARE:
                    return 5  # a restart mends that, and no bus
            self._fed()
        return min(ms, _PIECE_MS - self.clock.since(self._marks[_FED], self._marks[_FED + 1]))

    def _fed(self):
        self._mark(_FED)
        self._feed()

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

    def send_ident(self):
        self._mark(_IDENT)
        self.link.send(self.fill_ident())

    # IDENT into the link's buffer, which is free between frames; returns its size.
    def fill_ident(self):
        return messages.fill_ident(self, self.board, self._reason)

    def send_health(self):
        self._mark(_HEALTH)
        self.commands.age()
        fault = self._fault
        if fault == wire.FAULT_NONE and self.front:
            if self.watch and self.watch.recorder and self.watch.recorder.retry:
                fault = wire.FAULT_MEMORY
            elif self.front.flags & wire.SCAN_UNSETTLED:
                fault = wire.FAULT_SETTLE
        size = messages.fill_health(self, fault, self._fault_where, self._longest_ms)
        self._longest_ms = 0
        self.link.send(size)

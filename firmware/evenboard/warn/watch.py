# Alarms, signals, recorder and latch around a running App: what happens to each scan besides being sent.
#
# Order in a scan: alarms decide and the outputs follow before anything is written anywhere; then the scan goes over the
# link; then, relays open, flash. So a stuck line or a full flash delays a warning by nothing, and a flash write delays
# the next look by its own length at most (`RECORDER.worst_stall_ms` says how long that was).

import struct
from array import array

from evenboard.flash.record_hours import RecordHours
from evenboard.front.leads import BAD_OHM
from evenboard.line import messages
from evenboard.warn.patterns import Signals
from evenstring_protocol import wire
from micropython import const

_REPORT_MS = const(60000)
_NONE = const(-32768)


class Watch:
    # recorder and latch: None where the board has no memory for them. sound, light: function(on).
    def __init__(self, app, alarms, recorder, latch, sound, light):
        self.alarms = alarms
        self.recorder = recorder
        self.latch = latch
        self.hours = RecordHours(recorder, app.clock) if recorder else None
        self.signals = Signals(alarms, sound, light)
        self._event = array("h", bytes(10))
        self._now = array("i", bytes(4 * 8))
        self._low = -1  # the sound of the start begins when the main loop does
        self._high = 0
        self._report_low = 0
        self._report_high = 0
        self.latch_failed = 0
        self.ahead = None  # what foretells, where it is wanted (evenboard.warn.ahead)
        self._since_ms = 0  # since the latest scan
        self.button = None  # a pin that reads 0 while pressed: silences what sounds, else it marks the moment
        self._pressed = False
        self.presses = 0  # marks since boot
        self._press = -1  # what the latest press did, until it is told
        app.handlers[wire.ACKNOWLEDGE] = self._acknowledge
        app.handlers[wire.CLEAR_LATCH] = self._clear_latch

    # The readings of `front` are new. Decides and signals; writes nothing.
    def scan(self, app, front):
        sensors = front.sensors
        current = _mean(front.currents, len(front.currents)) if front.currents else _NONE
        self.alarms.look(front.readings, front.passes, current, sensors.temp)
        self.poll(app)
        ahead = self.ahead
        if ahead:
            if not self.alarms.nothing and ahead.look(front.readings, front.passes, current, self._since_ms):
                self.alarms.foretell(ahead)
            self._since_ms = 0
        recorder = self.recorder
        if recorder:
            now = self._now
            n = 0
            if recorder.encoder.currents:
                now[n] = current
                n += 1
            if recorder.encoder.packs:
                now[n] = sensors.pack[0]
                n += 1
            for k in range(recorder.encoder.temps):
                now[n + k] = sensors.temp[k]
            recorder.add(
                front.start_low,
                front.start_high,
                front.readings,
                now,
                current,
                front.flags,
                front.step_us,
                front.turn_us,
            )

    # What the front end's self-test found of the sense leads.
    def leads(self, found):
        for lead in range(found.groups + 1):
            ohm = found.lead_ohm[lead]
            self.alarms.contact(lead, max(-32766, min(ohm // 100, 32766)), abs(ohm) >= BAD_OHM)

    # Outputs and silence follow the clock; call it often.
    def poll(self, app):
        clock = app.clock
        step = clock.since(self._low, self._high) if self._low >= 0 else 0
        self._low = clock.low
        self._high = clock.high
        self._since_ms += step
        self.alarms.pass_time(step)
        self.alarms.watch_over(step, app.blind)
        if self.button:
            pressed = not self.button.value()
            if pressed and not self._pressed:
                self._pushed()
            self._pressed = pressed
        self.signals.service(step, app.state == wire.STATE_SCANNING)

    def _pushed(self):
        if self.alarms.sounding() >= 0:
            self.alarms.acknowledge(0xFFFF)
            self._press = wire.PRESS_SILENCE
        else:
            self.presses = (self.presses + 1) & 0xFFFF
            self._press = wire.PRESS_MARK
            self.signals.confirm()

    # Between scans: tell the link and the flash. Nothing is allocated unless a segment or the latch changes.
    def service(self, app):
        alarms = self.alarms
        event = self._event
        while alarms.take(event):
            self._send(app.link, event)
            if self.recorder:
                self.recorder.alarm(event, alarms.active, alarms.latched)
        if self._press >= 0:
            size = messages.fill_press(app.link, self._press, self.presses)
            if self.recorder:
                self.recorder.press(app.link.body, size)
            app.link.send(size)
            self._press = -1
        if alarms.latch_dirty:
            self._save_latch()
        recorder = self.recorder
        if not recorder:
            return
        recorder.service()
        if app.clock.since(self._report_low, self._report_high) >= _REPORT_MS:
            self.send_recorder(app)

    # Whether the latest `service` held the board up with a write to flash.
    def stalled(self):
        return self.recorder is not None and self.recorder.stalled

    def _save_latch(self):
        self.alarms.latch_dirty = False
        if not self.latch:
            return
        self.latch.latched = self.alarms.latched
        self.latch.visited = bytes(self.alarms.visited)
        if not self.latch.save():
            self.latch_failed += 1

    def _send(self, link, event):
        link.head(wire.ALARM)
        messages.put_alarm(link.body, wire.HEADER_SIZE, event, self.alarms.active, self.alarms.latched)
        link.send(wire.HEADER_SIZE + wire.ALARM_SIZE)

    def send_recorder(self, app):
        self._report_low = app.clock.low
        self._report_high = app.clock.high
        app.link.send(messages.fill_recorder(app.link, self.recorder))

    def _acknowledge(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.ACKNOWLEDGE_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        self.alarms.acknowledge(struct.unpack_from(wire.ACKNOWLEDGE_FORMAT, rx, wire.HEADER_SIZE)[0])
        self.service(app)
        return wire.STATUS_OK, ""

    def _clear_latch(self, app, rx, size):
        if size < wire.HEADER_SIZE + wire.CLEAR_LATCH_SIZE:
            return wire.STATUS_BAD_VALUE, "payload too short"
        mask, low, high = struct.unpack_from(wire.CLEAR_LATCH_FORMAT, rx, wire.HEADER_SIZE)
        if low | high << 16 != app.boot_count:
            return wire.STATUS_BAD_VALUE, "boot_count is not this board's of now"
        self.alarms.clear_latch(mask)
        failed = self.latch_failed
        self._save_latch()
        if self.latch_failed != failed:
            return wire.STATUS_FAILED, "the latch could not be written"
        return wire.STATUS_OK, ""


# Mean of the numbers among values[:n], or no reading.
def _mean(values, n):
    total = 0
    count = 0
    for i in range(n):
        if values[i] != _NONE:
            total += values[i]
            count += 1
    return total // count if count else _NONE

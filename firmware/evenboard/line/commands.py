# Commands of the host: each is done once, answered once, and the answer given again when it is asked again.
#
# A handler gives (status, detail), or None and leaves a `job`: work of many turns, of which each turn of the main loop
# does one bounded piece, scans in between. Its answer follows when it is done. An error in a handler is an answer too:
# nothing that comes over the line may end the monitor.

import struct

from evenboard import load, unload
from evenstring_protocol import wire

_HARMLESS = (wire.IDENTIFY, wire.START, wire.STOP)


class Commands:
    def __init__(self, app):
        self._app = app
        # Command code: function(app, buffer, size), or the name of a module whose `do` has the code besides and which
        # is loaded only then. For parts that add commands.
        self.handlers = {}
        self.job = None  # has step(app): None, or the answer when it is done
        self._job_code = 0
        self._job_seq = 0
        self._guest = None  # module of commands that is in memory now
        self._guest_age = 0  # HEALTHs since it was asked for
        self._last_code = -1
        self._last_seq = -1
        self.last_status = 0
        self.last_detail = ""

    # A good frame of that size stands in the link's `rx`.
    def take(self, size):
        link = self._app.link
        code, seq, _, _ = struct.unpack_from(wire.HEADER_FORMAT, link.rx, 0)
        # IDENTIFY, START and STOP do no harm when done again, whoever sends them; the rest is done once.
        if code not in _HARMLESS and code == self._last_code and seq == self._last_seq:
            if not self.job:
                link.reply(code, seq, self.last_status, self.last_detail)
            return
        try:
            answer = self._do(code, size)
        except Exception as e:
            answer = _failed(e)
        self._last_code = code
        self._last_seq = seq
        if answer is None:
            self._job_code = code
            self._job_seq = seq
            self.turn()
            return
        self.last_status, self.last_detail = answer
        link.reply(code, seq, answer[0], answer[1])
        if code == wire.START and answer[0] == wire.STATUS_OK:
            self._app.introduce()

    # One piece of the work that is left, if any.
    def turn(self):
        job = self.job
        if not job:
            return
        self._guest_age = 0
        try:
            answer = job.step(self._app)
        except Exception as e:
            answer = _failed(e)
        if answer is None:
            return
        self.job = None
        if self._last_code == self._job_code and self._last_seq == self._job_seq:
            self.last_status, self.last_detail = answer
        self._app.link.reply(self._job_code, self._job_seq, answer[0], answer[1])

    def _do(self, code, size):
        app = self._app
        rx = app.link.rx
        have = size - wire.HEADER_SIZE
        if code == wire.IDENTIFY:
            app.send_ident()
            return wire.STATUS_OK, ""
        if code == wire.START:
            if have < wire.START_SIZE:
                return wire.STATUS_BAD_VALUE, "payload too short"
            return app.start(*struct.unpack_from(wire.START_FORMAT, rx, wire.HEADER_SIZE))
        if code == wire.STOP:
            app.stop()
            return wire.STATUS_OK, ""
        if code == wire.SET_TIME:
            if have < wire.SET_TIME_SIZE:
                return wire.STATUS_BAD_VALUE, "payload too short"
            app.clock.set(*struct.unpack_from(wire.SET_TIME_FORMAT, rx, wire.HEADER_SIZE))
            return wire.STATUS_OK, ""
        handler = self.handlers.get(code)
        if isinstance(handler, str):
            return self._ask(handler, code, size)
        if handler:
            return handler(app, rx, size)
        app.link.bad = (app.link.bad + 1) & 0xFFFF
        return wire.STATUS_UNKNOWN_COMMAND, "unknown command"

    # Some commands have a module of their own: in memory from the first one to the second HEALTH without one.
    def _ask(self, name, code, size):
        if self._guest and self._guest != name:
            unload(self._guest)
        self._guest = name
        self._guest_age = 0
        try:
            return load(name).do(self._app, code, self._app.link.rx, size)
        except (MemoryError, ImportError):
            return wire.STATUS_FAILED, "too little memory to load this command: RESTART, then send it at once"

    # Called with every HEALTH.
    def age(self):
        if self._guest and not self.job:
            self._guest_age += 1
            if self._guest_age > 1:
                unload(self._guest)
                self._guest = None


def _failed(error):
    return wire.STATUS_FAILED, "the firmware met an error of its own: " + type(error).__name__

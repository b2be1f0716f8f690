# Runs on MicroPython: stands in for the store of the recorder.


class Taker:
    # Takes blocks as flash would.
    segment = 32768

    def __init__(self):
        self.size = self.number = self.written = self.used = self.closed = self.segments = self.kept = self.deleted = 0
        self.room = 1 << 20
        self.is_open = self.alarm = False

    def is_full(self, n):
        return not self.is_open or self.size + n > self.segment

    def begin(self):
        self.size = 0
        self.is_open = True
        self.number += 1
        return True

    def append(self, buf, n, flush=True):  # noqa: ARG002 -- as the real one
        self.size += n
        return True

    def keep(self):
        self.alarm = True
        return True

    def end(self):
        self.is_open = False

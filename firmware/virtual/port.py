# The virtual board's serial line: this process's standard input and output, which the host has joined to a pty.
#
# Writing waits for the reader in real time while virtual time stands still, so nothing is lost at any speed; a reader
# that takes nothing for `_PATIENCE_MS` counts as a stuck line, as it would on a board.

import select
import sys

_PATIENCE_MS = 5000


class Port:
    def __init__(self):
        # CPython's may have a buffer of their own in between
        self._in = getattr(sys.stdin.buffer, "raw", sys.stdin.buffer)
        self._out = getattr(sys.stdout.buffer, "raw", sys.stdout.buffer)
        self._poll_in = select.poll()
        self._poll_in.register(sys.stdin, select.POLLIN)
        self._poll_out = select.poll()
        self._poll_out.register(sys.stdout, select.POLLOUT)
        self._one = bytearray(1)
        self.ended = False  # the other side has gone

    def write(self, data, n):
        done = 0
        view = memoryview(data)
        while done < n:
            taken = self._out.write(view[done:n])
            if taken:
                done += taken
            elif not self._poll_out.poll(_PATIENCE_MS):
                break
        return done

    # Hand waiting bytes to the app; waits up to wait_ms for the first one.
    def serve(self, app, wait_ms=0):
        for _ in range(4096):
            if not self._poll_in.poll(wait_ms):
                return
            if not self._in.readinto(self._one):
                self.ended = True
                return
            app.receive(self._one, 1)
            wait_ms = 0

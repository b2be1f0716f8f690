# Boots and why: what tells a reset by command from one by the watchdog, and stops a board that resets for ever.
#
# A reset that comes within a minute of the one before is a fast one. After three fast ones in a row the board starts
# in safe mode: relays open, no front end, only the line. A minute of running, or a restart by command, ends that.

import json

from evenboard.base import files
from evenstring_protocol import wire

FAST = 3
SETTLED_MS = 60000


class Boots:
    # cause: what the hardware says, a RESET_REASON of the table; a reason written down before the reset goes first.
    def __init__(self, path, cause=wire.RESET_REASON_UNKNOWN):
        self._path = path
        self.count = 0
        self.reason = cause
        self.fast = 0
        try:
            with open(path) as f:
                kept = json.load(f)
            self.count = int(kept["count"])
            self.fast = int(kept["fast"])
            if kept["reason"] is not None:
                self.reason = int(kept["reason"])
        except (OSError, ValueError, KeyError, TypeError):
            pass  # the first boot, or a spoilt file: begin anew, or go on from the second copy (`agree`)
        self.count = (self.count + 1) & 0x3FFFFFFF
        self.safe = self.fast >= FAST
        self._settled = False
        self._save(self.fast + 1, None)

    # count: what the second copy, in the latch, makes of this boot. True: the main copy was behind, and follows it.
    def agree(self, count):
        if count <= self.count:
            return False
        self.count = count
        self._save(self.fast + 1, None)
        return True

    # Called by the main loop with the uptime.
    def running(self, low, high):
        if not self._settled and (high or low > SETTLED_MS):
            self._settled = True
            self._save(0, None)

    # Before a reset on purpose.
    def leaving(self, reason):
        self._save(0, reason)

    # A full or broken file system must not stop the monitor: whether it was written is not asked.
    def _save(self, fast, reason):
        files.put(self._path, json.dumps({"count": self.count, "fast": fast, "reason": reason}).encode())

# The way to a plain console without a pin: a command restarts the board once without monitor and without watchdog.
#
# The watchdog of some boards cannot be stopped once it runs, so the board restarts; a mark in the file system tells the
# start-up (main.py), which removes it before anything else: whatever happens next, the restart after it monitors again.

import struct

from evenboard import MARK
from evenstring_protocol import wire


# `restart()` is called by the main loop after the answer went out: see `App.leaving`.
def register(app):
    app.handlers[wire.MAINTAIN] = "start.maintenance"  # loaded when the command comes


def do(app, code, rx, size):  # noqa: ARG001 -- signature of all such modules
    if size < wire.HEADER_SIZE + wire.MAINTAIN_SIZE:
        return wire.STATUS_BAD_VALUE, "payload too short"
    low, high = struct.unpack_from(wire.MAINTAIN_FORMAT, rx, wire.HEADER_SIZE)
    if low | high << 16 != app.boot_count:
        return wire.STATUS_BAD_VALUE, "boot_count is not this board's of now"
    if app.front:
        app.front.open_all()
    if app.watch and app.watch.recorder:
        app.watch.recorder.flush()
    try:
        with open(MARK, "w") as f:
            f.write("once")
    except OSError:
        return wire.STATUS_FAILED, "the mark could not be written"
    app.leaving = True
    return wire.STATUS_OK, ""

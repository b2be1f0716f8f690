# Runs on MicroPython: scan, alarms and recorder of the firmware, made as `main.py` makes them, and scans of them.
# `time` and `machine` are in place.

import micropython
from evenboard.start import build
from taker import Taker


# data: a board description that was checked, with "alarms". No file is touched.
def make(data, write):
    from evenboard.flash.delta import DeltaEncoder  # noqa: PLC0415 -- the front end first, as on a board
    from evenboard.flash.recorder import Recorder  # noqa: PLC0415 -- as above

    app = build.make_app(data, "", write, int, 0, 1)
    front = app.front
    encoder = DeltaEncoder(front.groups, front.passes, 1, 1, front.sensors.temps)
    app.watch.recorder = Recorder(Taker(), encoder, app.clock, app.link, (app.fill_ident,))
    return begun(app)


# Scans and records from now on.
def begun(app):
    app.begin()
    recorder = app.watch.recorder
    recorder.set_mode(2)
    for owner, name in ((recorder, "rotate"), (recorder.store, "keep"), (recorder.store, "end")):
        _slot(owner, name)
    _slot(app.watch, "_save_latch")
    return app


# What may allocate is done in slots of its own: there the heap is opened, and locked again.
def _slot(owner, name):
    inner = getattr(owner, name)

    def opened():
        micropython.heap_lock()
        depth = micropython.heap_unlock()
        for _ in range(depth):
            micropython.heap_unlock()
        done = inner()
        for _ in range(depth):
            micropython.heap_lock()
        return done

    setattr(owner, name, opened)


# `move(i)` before each scan changes the string. Returns how many were good.
def scans(app, n, move=None):
    good = 0
    for i in range(n):
        if move:
            move(i)
        if app.scan_once():
            good += 1
    return good


def locked_scans(app, n):
    micropython.heap_lock()
    good = scans(app, n)
    micropython.heap_unlock()
    return good

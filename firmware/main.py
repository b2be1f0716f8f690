# Starts the monitor. Frames go over the console's byte stream, so Ctrl-C is off from the first statement on; hold the
# maintenance pin of the board description low at power-up to get a plain console instead, with all relays open and no
# watchdog. Whatever ends the monitor otherwise restarts the board.

import micropython

micropython.kbd_intr(-1)

import json  # noqa: E402 -- a 0x03 from the host must find the interrupt off
import os  # noqa: E402 -- as above
import select  # noqa: E402 -- as above
import sys  # noqa: E402 -- as above
import time  # noqa: E402 -- as above

import machine  # noqa: E402 -- as above
from evenboard import MARK, unload  # noqa: E402 -- as above; a file of a few names

_WATCHDOG_MS = 8000
_HEARD = 64  # bytes of the host in one turn of the main loop: a line full of garbage must not hold up a scan
_CTRL_C = 3
STARTING = (
    "base.description",
    "base.limits",
    "line.config",
    "start.begin",
    "start.build",
    "start.build_alarms",
    "start.build_memory",
    "start.maintenance",
    "base",
    "line",
    "front",
    "flash",
    "warn",
    "start",
)  # modules that are let go after the start


# The line to the host: the console's own bytes. Nothing here allocates after the start.
class Console:
    def __init__(self):
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self.readinto = sys.stdin.buffer.readinto
        self.write = sys.stdout.buffer.write

    def waits(self):
        for _ in self._poll.ipoll(0):
            return True
        return False


# What App.step calls first.
class Ear:
    def __init__(self, app, line):
        self._app = app
        self._line = line
        self._one = bytearray(1)

    def hear(self):
        for _ in range(_HEARD):
            if not self._line.waits() or not self._line.readinto(self._one):
                return False
            self._app.receive(self._one, 1)
        return True


# Whether a plain console is asked for: by the mark of MAINTAIN, once, or by the pin. Neither may fail.
def console_wanted(path):
    try:
        os.remove(MARK)
        return True
    except OSError:
        pass
    try:
        with open(path) as f:
            pin = json.load(f).get("maintenance_pin")
        return pin is not None and not machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP).value()
    except Exception:
        return False  # a spoilt description is told by the monitor


def monitor(path, line):
    feed = machine.WDT(timeout=_WATCHDOG_MS).feed
    from evenboard import sleep  # noqa: PLC0415 -- the watchdog comes before all imports
    from evenboard.start import begin  # noqa: PLC0415 -- only while starting

    app, may_sleep = begin.start(path, line.write, feed)
    app.hear = Ear(app, line).hear
    begin = None
    for name in STARTING:
        unload(name)
    app.begin()

    while not app.leaving:
        wait = app.step()
        if wait and not sleep.nap(app, wait, may_sleep, machine.lightsleep):
            time.sleep_ms(min(wait, 20))
    time.sleep_ms(50)  # so that the answer to the command that asked for it gets out


def main(path="board.json", line=None):
    if console_wanted(path):
        micropython.kbd_intr(_CTRL_C)
        print("maintenance: relays stay open, the monitor is not running")
        return
    try:
        monitor(path, line or Console())
    except BaseException as error:
        try:
            sys.print_exception(error)  # between two frames: who listens sees why
        except BaseException:  # nothing may keep the board from restarting
            pass
    machine.reset()


if __name__ == "__main__":
    main()

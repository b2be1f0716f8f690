# Starts the monitor. Frames go over the console's byte stream, so Ctrl-C is off while it runs; hold the maintenance pin
# of the board description low at power-up to get a plain console instead, with all relays open and no watchdog.

import select
import sys
import time

import machine
import micropython
from evenboard import sleep, unload
from evenboard.flash.boots import Boots
from evenboard.line import config
from evenstring_protocol import wire

_WATCHDOG_MS = 8000
STARTING = (
    "base.description",
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
_CAUSES = {machine.PWRON_RESET: wire.RESET_REASON_POWER_ON, machine.WDT_RESET: wire.RESET_REASON_WATCHDOG}


# Whether a byte waits; allocates nothing.
def _waiting(poll):
    for _ in poll.ipoll(0):
        return True
    return False


def main(path="board.json"):
    from evenboard.base import description as boards  # noqa: PLC0415 -- only while starting: 9 kB together
    from evenboard.start import build, maintenance  # noqa: PLC0415 -- as before

    told = maintenance.wanted()
    data, problem = boards.load(path)
    pin = data.get("maintenance_pin")
    if told or (pin is not None and not machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP).value()):
        print("maintenance: relays stay open, the monitor is not running")
        return
    micropython.kbd_intr(-1)
    watchdog = machine.WDT(timeout=_WATCHDOG_MS)
    boots = Boots("boots.json", _CAUSES.get(machine.reset_cause(), 0))
    if boots.safe:
        config.restore(path)  # if a new description did it, the next start has the old one again
        data, problem = boards.safe_defaults(), "safe mode: three resets in a row, each within a minute; RESTART it"
    write, feed = sys.stdout.buffer.write, watchdog.feed
    boards = None
    unload("base.description")
    app = build.make_app(data, problem, write, feed, boots.reason, boots.count, "calibration.bin")
    app.boots = boots
    if boots.agree(app.boot_count) and app.watch and app.watch.recorder:
        app.watch.recorder.memory |= wire.MEMORY_BOOTS_RESTORED
    maintenance.register(app)
    config.Service(app, path, boots)
    build = maintenance = None
    for name in STARTING:
        unload(name)
    app.begin()
    poll = select.poll()
    poll.register(sys.stdin, select.POLLIN)
    one = bytearray(1)
    while True:
        while _waiting(poll) and sys.stdin.buffer.readinto(one):
            app.receive(one, 1)
        if app.leaving:
            machine.reset()
        wait = app.step()
        if wait and not sleep.nap(app, wait, data.get("sleep"), machine.lightsleep):
            time.sleep_ms(min(wait, 20))


if __name__ == "__main__":
    main()

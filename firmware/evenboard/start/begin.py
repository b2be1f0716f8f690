# From reset to an App that has not begun yet. main.py has started the watchdog and lets this file go afterwards.

import machine
from evenboard import unload
from evenboard.base import description as boards
from evenboard.flash.boots import Boots
from evenboard.line import config
from evenboard.start import build, maintenance
from evenstring_protocol import wire

_CAUSES = {machine.PWRON_RESET: wire.RESET_REASON_POWER_ON, machine.WDT_RESET: wire.RESET_REASON_WATCHDOG}


# path: the board description. Gives the App, and whether the board may sleep between scans.
def start(path, write, feed):
    feed()
    data, problem = boards.load(path)
    if data.get("parked"):
        from evenboard.start import parked  # noqa: PLC0415 -- RAM only where wanted

        parked.still(data, feed)
        unload("start.parked")
    boots = Boots("boots.json", _CAUSES.get(machine.reset_cause(), 0))
    if boots.safe:
        config.restore(path)  # if a new description did it, the next start has the old one again
        data, problem = boards.safe_defaults(data), "safe mode: three resets in a row, each within a minute; RESTART it"
    unload("base.description")
    app = build.make_app(data, problem, write, feed, boots.reason, boots.count, "calibration.bin")
    app.boots = boots
    if boots.agree(app.boot_count) and app.watch and app.watch.recorder:
        app.watch.recorder.memory |= wire.MEMORY_BOOTS_RESTORED
    maintenance.register(app)
    config.register(app, path)
    feed()
    return app, data.get("sleep")

# When the board may sleep, and when it is parked. What it draws then: `evenstring budget`.

from evenstring_protocol import wire
from micropython import const

from evenboard import load, unload

_LONGEST_SLEEP_MS = const(4000)  # the watchdog must be fed in between
_SHORTEST_SLEEP_MS = const(20)


# How long the board may sleep of the `wait_ms` that nothing is due; 0: stay awake. Light sleep stops the buzzer's PWM,
# the serial line and the button: so only while nobody listens, nothing sounds and every relay is open.
def sleep_ms(wait_ms, allowed, state, heard, sounding):
    if not allowed or heard or sounding or state not in (wire.STATE_IDLE, wire.STATE_SCANNING):
        return 0
    return min(wait_ms, _LONGEST_SLEEP_MS) if wait_ms >= _SHORTEST_SLEEP_MS else 0


# Sleeps if it may, the island's supply off meanwhile; `lightsleep(ms)` is the board's. False: it stays awake.
def nap(app, wait_ms, allowed, lightsleep):
    sounding = app.watch and app.watch.alarms.active
    parked = app.board.get("parked")
    ms = sleep_ms(wait_ms, allowed or parked, app.state, app.heard, sounding)
    if ms and parked and app.rests(parked["after_s"] * 1000):
        load("start.parked").park(app)
        unload("start.parked")
    if not ms or not allowed:
        return False
    if app.front:
        app.front.rest()
    lightsleep(ms)
    return True

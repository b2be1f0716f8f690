# What the monitor draws, by state, and when it may sleep. Typical figures at 3.3 V and 25 degC, from memory of data
# sheets (microcontroller of the RP2040 class, isolated 5 V island at 75 % efficiency): measure your own build.

from evenstring_protocol import wire
from micropython import const

AWAKE_UA = const(25000)  # running at 125 MHz, USB idle
ASLEEP_UA = const(1500)  # light sleep, clocks stopped
ISLAND_UA = const(9000)  # isolated converter without load, isolator
PARTS_UA = const(600)  # converters, expander, decoders
RELAY_UA = const(5000)  # one photo-relay's diode
LONGEST_SLEEP_MS = const(4000)  # the watchdog must be fed in between
_SHORTEST_SLEEP_MS = const(20)


# Mean supply current in uA. scan_ms of every interval_ms two relays conduct and the island runs; in between the board
# sleeps or idles. island_off: the island's supply is switched off between scans.
def mean_ua(scan_ms, interval_ms, sleeps, island_off):
    interval_ms = max(interval_ms, scan_ms, 1)
    busy = AWAKE_UA + (ISLAND_UA + PARTS_UA + 2 * RELAY_UA) * 100 // 75
    idle = ASLEEP_UA if sleeps else AWAKE_UA
    if not island_off:
        idle += (ISLAND_UA + PARTS_UA) * 100 // 75
    return idle + (busy - idle) // 100 * (100 * scan_ms // interval_ms)


# How long the board may sleep of the `wait_ms` that nothing is due; 0: stay awake. Light sleep stops the buzzer's PWM,
# the serial line and the button: so only while nobody listens, nothing sounds and every relay is open.
def sleep_ms(wait_ms, allowed, state, heard, sounding):
    if not allowed or heard or sounding or state not in (wire.STATE_IDLE, wire.STATE_SCANNING):
        return 0
    return min(wait_ms, LONGEST_SLEEP_MS) if wait_ms >= _SHORTEST_SLEEP_MS else 0


# Sleeps if it may, the island's supply off meanwhile; `lightsleep(ms)` is the board's. False: it stays awake.
def nap(app, wait_ms, allowed, lightsleep):
    sounding = app.watch and app.watch.alarms.active
    ms = sleep_ms(wait_ms, allowed, app.state, app.heard, sounding)
    if not ms:
        return False
    if app.front:
        app.front.rest()
    lightsleep(ms)
    return True

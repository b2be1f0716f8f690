# A parked vehicle: the board switches itself off for minutes at a time, and looks in between whether anything moved.
#
# Off is an ESP32's deep sleep, or no supply at all: a timer chip on the supply's side that gives it back after its own
# time (`off_pin` goes high: "done"). Both ways the board starts anew, and main.py's start asks `still` first: one scan
# against the voltages that it parked at. It writes nothing, so that years of looks cost no flash. Whatever is not as it
# was (a voltage, a current, warmth, the button, the wake pin, a scan that fails) makes it an ordinary start. Loaded for
# these moments only.

import time

import machine
from evenboard.base import files
from evenboard.base.clock import Clock
from evenstring_protocol import wire
from machine import Pin
from micropython import const

_PATH = "parked.bin"
_MOVED_STEPS = const(75)  # 15 mV away from where it parked is charge or load; as the recorder's own limit
_MOVED_10MA = const(20)
_WARM_CDEG = const(4500)  # of the first thermistor; no resting pack should be
_FULL_MV = const(100)  # without a current sensor a group so near its ceiling may still be on the charger
_CUT_MS = const(1000)  # until the supply is gone


# From the main loop, at rest for `after_s`. Comes back only where the board may not or cannot be switched off.
def park(app):
    front = app.front
    how = app.board["parked"]
    if not ("off_pin" in how or hasattr(machine, "DEEPSLEEP_RESET")) or not _rests(app, front):
        return
    recorder = app.watch.recorder if app.watch else None
    if recorder:
        recorder.stop()
        recorder.service()
    if not files.put(_PATH, bytes(front.readings)):
        return
    front.rest()
    if front.open_all():
        _off(how)
    files.removed(_PATH)


def _rests(app, front):
    if front.currents:
        return _no_current(front)
    ceiling = app.watch.alarms.ceiling - _FULL_MV * 5 if app.watch else 0
    return max(front.readings) < ceiling


def _no_current(front):
    for ampere in front.currents:
        if ampere > _MOVED_10MA or ampere < -_MOVED_10MA:  # no reading too
            return False
    return True


# At the start. Comes back, the mark gone, when the board is to stay awake.
def still(data, feed):
    seen = files.contents(_PATH)
    if not seen:
        return
    how = data["parked"]
    try:
        if _was_off(how) and not _called(data, how) and _unmoved(data, seen):
            feed()
            _off(how)
    except Exception:  # the ordinary start looks what it is
        pass
    files.removed(_PATH)


# Without an `off_pin` only a wake from deep sleep counts: a reset by hand or by a host is meant.
def _was_off(how):
    return "off_pin" in how or machine.reset_cause() == getattr(machine, "DEEPSLEEP_RESET", -1)


def _called(data, how):
    if data.get("button_pin") is not None and not Pin(data["button_pin"], Pin.IN, Pin.PULL_UP).value():
        return True
    return "wake_pin" in how and Pin(how["wake_pin"], Pin.IN).value()


def _unmoved(data, seen):
    from evenboard.start.build import make_front  # noqa: PLC0415 -- the start has it in memory

    front = make_front(data, Clock())
    if not front.island:
        front.begin()
    good = front.scan()
    front.rest()
    if max(front.sensors.temp) > _WARM_CDEG:
        return False
    if not good or len(seen) != 2 * len(front.readings) or (front.currents and not _no_current(front)):
        return False
    at = 0
    for reading in front.readings:
        before = seen[at] | seen[at + 1] << 8
        change = reading - (before - 65536 if before & 0x8000 else before)
        if reading <= wire.LEAD_OPEN or not -_MOVED_STEPS <= change <= _MOVED_STEPS:
            return False
        at += 2
    return True


def _off(how):
    if "off_pin" in how:
        Pin(how["off_pin"], Pin.OUT, value=1)
        time.sleep_ms(_CUT_MS)
        Pin(how["off_pin"], Pin.OUT, value=0)
        return
    if "wake_pin" in how:
        import esp32  # noqa: PLC0415 -- only there

        esp32.wake_on_ext0(Pin(how["wake_pin"], Pin.IN), esp32.WAKEUP_ANY_HIGH)
    machine.deepsleep(how["every_s"] * 1000)

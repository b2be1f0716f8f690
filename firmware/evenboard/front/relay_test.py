# The relay scan's self-test: parts answer, zero is near zero, no relay conducts unasked, the one-shot lets go, and each
# sense lead has the resistance that it should. Loaded for the time of a test only.

import time

from evenboard.front.lead_test import judge, take
from evenstring_protocol import wire
from micropython import const

_SLOW_LOOKS = const(8)
_AGREE_UV = const(2000)
_DOUBT_UV = const(500000)
_OVER_UV = const(4900000)
_LAPSE_MS = const(80)  # the one-shot runs for 50 ms, at most 75


def run(front):
    if not front.read_zero():
        return
    for tap in range(front.groups + 1):
        if not front.tap_is_dead(tap):
            front.name_stuck(tap)
            return
    if front.zero_sticks(1) or not _one_shot_opens(front, 1):
        return
    _test_leads(front)


# Not fed, the one-shot must open what is closed: then the lines empty themselves. True when it does, or nothing is
# there to tell it by.
def _one_shot_opens(front, group):
    uv = _read(front, group)
    if uv is None or -_DOUBT_UV < uv < _DOUBT_UV or not -_OVER_UV < uv < _OVER_UV:
        return True
    time.sleep_ms(_LAPSE_MS)
    front.adc.start()
    left = front.adc.read()
    if left is None or 8 * abs(left) < 7 * abs(uv):
        return True
    front.fault = wire.FAULT_MUX
    return False


# Each group alone, then with the zero resistor across it. A bad contact is told, and is no fault.
def _test_leads(front):
    leads = front.leads
    if not leads:
        return
    for group in range(1, front.groups + 1):
        uv = _read_slowly(front, group)
        if uv is None:
            return
        front.mux.close_loaded(group)
        time.sleep_us(front.wait_us)
        loaded_uv = _once(front, group)
        if loaded_uv is None:
            return
        take(leads, group, uv, loaded_uv)
    judge(leads)


def _read(front, group):
    front.mux.close_group(group)
    time.sleep_us(front.wait_us)
    return _once(front, group)


# One conversion with the group's sign: a test must not take long.
def _once(front, group):
    uv = front.convert()
    if uv is None:
        return None
    return front.zero_uv - uv if group & 1 else uv - front.zero_uv


# A bad contact makes the lines slow: waits until two readings agree, at most 16 ms.
def _read_slowly(front, group):
    uv = _read(front, group)
    for _ in range(_SLOW_LOOKS):
        if uv is None:
            return None
        before = uv
        time.sleep_us(2000)
        uv = _once(front, group)
        if uv is not None and -_AGREE_UV < uv - before < _AGREE_UV:
            break
    return uv

# The relay scan's self-test: parts answer, zero is near zero, no relay conducts unasked, the one-shot lets go, and each
# sense lead has the resistance that it should. Loaded for the time of a test only.

import time

from evenboard.front.leads import BAD_OHM
from evenstring_protocol import wire
from micropython import const

_SLOW_LOOKS = const(8)
_AGREE_UV = const(2000)
_DOUBT_UV = const(500000)
_OVER_UV = const(4900000)
_LEAST_UV = const(500)  # less than that with the resistor across: there is no loop
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


# Resistance of the sense leads, from the self-test: each group is read alone, then with the zero resistor across it.
# The two tell the resistance of its loop; what it has beyond the usual one is in a contact, a wire or a relay. A lead
# belongs to two groups, so it is bad when both loops have too much (at the ends of the string one loop must do).
#
# 1 kohm too much makes both groups read about 1 mV low, since the bias of the lines and the converter load them. Too
# little (below nothing in `lead_ohm`) is a series resistor that has shorted or was left out, or water beside it.


# One group's voltage alone and with the resistor across it. uv is at most 6.2e6, so no product passes 8.1e8.
def take(leads, group, uv, loaded_uv):
    if not _DOUBT_UV < uv < 6200000:
        leads.loop_ohm[group - 1] = -1
        return
    loaded_uv = max(loaded_uv, _LEAST_UV)
    leads.loop_ohm[group - 1] = (uv - loaded_uv) * 64 // loaded_uv * leads.zero_ohm // 64


# From the loops to the leads.
def judge(leads):
    loops = leads.loop_ohm
    known = sorted(ohm for ohm in loops if ohm >= 0)
    if not known:
        return
    # The middle one is free of what all have in common: the zero resistor's tolerance, the relays.
    usual = leads.usual_ohm
    base = max(usual * 8 // 10, min(usual * 12 // 10, known[len(known) // 2]))
    more = [max(ohm - base, 0) if ohm >= 0 else -1 for ohm in loops]
    less = [max(base - ohm, 0) if ohm >= 0 else -1 for ohm in loops]
    found = leads.lead_ohm
    for lead in range(leads.groups + 1):
        found[lead] = _share(more, lead) or -_share(less, lead)
    # A loop that alone has too little: something stands beside it, between its two leads.
    for lead in range(1, leads.groups + 1):
        little = less[lead - 1]
        if little >= BAD_OHM and found[lead - 1] > -BAD_OHM and found[lead] > -BAD_OHM:
            found[lead] = -little
    worst = max(range(leads.groups + 1), key=lambda lead: abs(found[lead]))
    ohm = found[worst]
    leads.words = ""
    if abs(ohm) >= BAD_OHM:
        kind = "much" if ohm > 0 else "little"
        leads.words = "bad contact: sense lead %d has about %d kohm too %s" % (worst, abs(ohm) // 1000, kind)


# What both loops at a lead are off by, the same way.
def _share(off, lead):
    below = _at(off, lead - 1)
    above = _at(off, lead)
    if below >= 0 and above >= 0:
        return min(below, above)
    # one loop to go by: what the loop beyond it is off too is the other lead's
    inner = max(_at(off, lead + 1) if above >= 0 else _at(off, lead - 2), 0)
    return max(max(below, above) - inner - (inner >> 2), 0)  # large ones are known less well


# -1 beyond both ends: not known.
def _at(values, i):
    return values[i] if 0 <= i < len(values) else -1

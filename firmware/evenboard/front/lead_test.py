# Resistance of the sense leads, from the self-test: each group is read alone, then with the zero resistor across it.
# The two tell the resistance of its loop; what it has beyond the usual one is in a contact, a wire or a relay. A lead
# belongs to two groups, so it is bad when both loops have too much (at the ends of the string one loop must do).
#
# 1 kohm too much makes both groups read about 1 mV low, since the bias of the lines and the converter load them. Too
# little (below nothing in `lead_ohm`) is a series resistor that has shorted or was left out, or water beside it.

from evenboard.front.leads import BAD_OHM
from micropython import const

_LEAST_UV = const(500)  # less than that with the resistor across: there is no loop
_DEAD_UV = const(500000)  # a group under this tells nothing


# One group's voltage alone and with the resistor across it. uv is at most 6.2e6, so no product passes 8.1e8.
def take(leads, group, uv, loaded_uv):
    if not _DEAD_UV < uv < 6200000:
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

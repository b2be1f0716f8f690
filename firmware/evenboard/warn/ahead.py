# Foretells where the weakest group would stand at this ride's usual hard load, and warns before it is there: "ease off"
# while there is time. Likewise of the highest group while charging, and of braking near full. How and why, and what it
# cannot see: host/METHODS.md, "Warning ahead".
#
# All in integers; voltages here are in 0.1 mV (the sum of both passes), filters in 1/16 of that, shares in 1/4096. No
# product reaches 2^30. Nothing is allocated after construction. It looks four times a second at most.

from array import array

from evenstring_protocol import wire
from micropython import const

_PACE_MS = const(250)
_ONE = const(4096)  # a group that sags as the mean does
_MOVED = const(150)  # 15 mV off its slow mean: the string is under a changing load; tuned on rides 1 to 3000
_STEADY = const(40000)  # keeps a small move from teaching much; tuned as before
_SLOW_MS = const(30000)  # of what counts as slow; tuned as before
_HOLD_MS = const(180000)  # without a moving load for so long there is no ride: a long climb is steady too; our choice
_SAGS = const(-60)  # 6 mV below its slow mean: a ride once begun goes on; our choice
_LOAD = const(100)  # 1 A
_HARD_MS = const(2400000)  # what was hard once fades so; tuned as before
# Under load the unloaded level falls 0.1 mV in that time at most, 18 mV a minute; tuned as before.
_FALL_MS = const(330)
_QUICK_MS = const(1000)  # what rises with the load is followed so; tuned as before
_EARLY = const(20)  # a third of the hard load more when a ride begins; tuned on rides 1 to 3000 and 5001 to 8000
_EARLY_S = const(60)  # half of that after a minute; our choice
_RIDDEN_MS = const(3600000)  # as much as it counts of a ride; our choice
_SMOOTH_MS = const(1000)  # the forecast is smoothed; tuned as _EARLY
_RISE_MS = const(2400000)  # downwards quickly, upwards slowly: an easy stretch is no reason for hope; tuned as _MOVED
_PAST_MS = const(40000)  # half of what it fell since then it will fall once more, in 20 s; tuned as _EARLY
_MOST_DROP = const(5000)  # 0.5 V: the trend foretells no more; our choice
_TOP_MS = const(3500)  # the highest group is smoothed; our choice
_STAY_MS = const(15000)  # a warning stays at least that long; our choice
_NONE = const(-32768)


# A filter's share of the way to go in `ms`, of 256.
def _part(ms, tau_ms):
    part = ms * 256 // tau_ms
    return 256 if part > 256 else part if part else 1


class Ahead:
    # empty, ceiling: limits in steps of 0.2 mV, as the alarms have them.
    def __init__(self, groups, empty, ceiling, values=None):
        from evenboard.base import limits as known  # noqa: PLC0415 -- let go after the start

        v = known.ahead(values)
        self.groups = groups
        self._soon = 2 * empty + 10 * v["soon_mv"]
        self._near = 2 * empty + 10 * v["near_mv"]
        self._now = 2 * empty + 10 * v["now_mv"]
        self._clear = self._near + 10 * v["clear_mv"]
        self._high = 2 * ceiling - 10 * v["ceiling_mv"]
        self._full = 2 * ceiling - 10 * v["brake_mv"]
        self._volts = array("i", bytes(4 * groups))
        self._slow = array("i", bytes(4 * groups))
        self._share = array("i", (_ONE for _ in range(groups)))
        self._mean = 0
        self._mean_slow = 0
        self._free = 0  # level of the mean without load, as far as it can be seen
        self._hard = 0  # usual hard load as the fall of the mean below it
        self._pull = 0  # and as its fall below its own slow mean
        self._ridden_ms = 0  # how long there was a chance to see a hard load
        self._fast = 0
        self._past = 0
        self._top = 0
        self._top_past = 0
        self._begun = False
        self._waited = 0
        self._fall = 0
        self._ride_ms = 0  # left of the ride, as long as the load does not move
        self._charge_ms = 0
        self._stay = [0, 0, 0, 0]
        self.raised = 0  # bit 0 ease off, 1 ease off now, 2 near the ceiling, 3 brake gently
        self.place = 0  # the weakest group, and where it would stand, in steps
        self.value = 0
        self.top_place = 0
        self.top_value = 0

    # One scan; `current` charging positive in 10 mA or -32768, ms since the scan before. True: it has looked.
    def look(self, readings, passes, current, ms):
        self._waited += ms
        if self._waited < _PACE_MS:
            return False
        ms = self._waited if self._waited < 20000 else 20000
        self._waited = 0
        if not self._take(readings, passes):
            return False
        if not self._begun:
            self._begin()
        moved = self._learn(ms)
        if current < -_LOAD and current != _NONE:
            self._ride_ms = _HOLD_MS
        self._follow(moved, ms)
        self._weakest(ms)
        self._highest(ms, current)
        return True

    # Voltages and their mean; a group that shows none keeps its last.
    def _take(self, readings, passes):
        n = self.groups
        volts = self._volts
        total = 0
        for g in range(n):
            r = readings[g]
            back = readings[n + g] if passes == 2 else r
            if r > wire.LEAD_OPEN and back > wire.LEAD_OPEN and r < wire.OVER_POSITIVE and back < wire.OVER_POSITIVE:
                volts[g] = r + back
            total += volts[g]
        self._mean = total // n
        return self._mean > 10000  # 1 V

    def _begin(self):
        self._begun = True
        for g in range(self.groups):
            self._slow[g] = self._volts[g] * 16
        self._mean_slow = self._fast = self._past = self._mean * 16
        self._free = self._mean

    # Each group's share of the moves of the mean: normalised least mean squares on what is quick. Returns the move.
    def _learn(self, ms):
        part = _part(ms, _SLOW_MS)
        mean = self._mean
        moved = mean - (self._mean_slow >> 4)
        self._mean_slow += (mean * 16 - self._mean_slow) * part >> 8
        moved = max(-8000, min(8000, moved))
        teach = 0
        if moved > _MOVED or moved < -_MOVED:
            self._ride_ms = _HOLD_MS
            teach = (moved << 16) // (moved * moved + _STEADY)
        elif self._ride_ms > 0:  # cells of little resistance hardly sag
            self._ride_ms = _HOLD_MS if moved < _SAGS else max(self._ride_ms - ms, 0)
        volts = self._volts
        slow = self._slow
        share = self._share
        for g in range(self.groups):
            v = volts[g]
            s = slow[g]
            if teach:
                k = share[g]
                share[g] = k + ((v - (s >> 4) - (k * moved >> 12)) * teach >> 11)
            slow[g] = s + ((v * 16 - s) * part >> 8)
        return moved

    # The level without load, and this ride's usual hard load.
    def _follow(self, moved, ms):
        mean = self._mean
        if mean >= self._free:
            self._free += (mean - self._free) * _part(ms, _QUICK_MS) >> 8
        else:
            self._fall += ms
            self._free -= self._fall // _FALL_MS
            self._fall %= _FALL_MS
        self._hard = _envelope(self._hard, self._free - mean, ms)
        self._pull = _envelope(self._pull, -moved, ms)
        if self._ride_ms > 0:
            self._ridden_ms = min(self._ridden_ms + ms, _RIDDEN_MS)
        else:
            self._ridden_ms = max(self._ridden_ms - ms, 0)

    # How far the mean would still fall. Two ways to see it: a hard load after a rest, and a pull on top of a climb.
    def _more(self):
        by_rest = self._free - (self._hard >> 4)
        by_pull = min((self._mean_slow - self._pull) >> 4, self._mean)
        return max(self._mean - ((3 * by_rest + by_pull) >> 2), 0)

    # Said where the trend reaches `soon`, or where the group that stands lowest there reads within `near` of empty now.
    def _weakest(self, ms):
        more = self._more()
        volts = self._volts
        share = self._share
        lowest = 100000
        place = 0
        for g in range(self.groups):
            v = volts[g] - (share[g] * more >> 12)
            if v < lowest:
                lowest = v
                place = g
        lowest = max(lowest, -20000)
        way = lowest * 16 - self._fast
        self._fast += way * _part(ms, _SMOOTH_MS if way < 0 else _RISE_MS) >> 8
        self._past += (lowest * 16 - self._past) * _part(ms, _PAST_MS) >> 8
        fast = self._fast >> 4
        drop = (self._past - self._fast) >> 5
        drop = 0 if drop < 0 else min(drop, _MOST_DROP)
        then = fast - drop - (self._early() * share[place] >> 12)
        reads = volts[place]
        self.place = place + 1
        self.value = min(then, reads) >> 1
        riding = self._ride_ms > 0
        self._grade(0, riding and (then < self._soon or reads < self._near), not riding or then > self._clear, ms)
        self._grade(1, riding and fast < self._now, not riding or fast > self._near, ms)

    # A ride that has just begun has not shown its hardest load: so much more is still to come.
    def _early(self):
        return (self._hard >> 4) * _EARLY // (_EARLY_S + self._ridden_ms // 1000)

    def _highest(self, ms, current):
        volts = self._volts
        high = -20000
        place = 0
        for g in range(self.groups):
            if volts[g] > high:
                high = volts[g]
                place = g
        if not self._top:
            self._top = self._top_past = high * 16
        self._top += (high * 16 - self._top) * _part(ms, _TOP_MS) >> 8
        self._top_past += (high * 16 - self._top_past) * _part(ms, _PAST_MS) >> 8
        top = self._top >> 4
        rise = max(0, self._top - self._top_past) >> 4
        self.top_place = place + 1
        self.top_value = min(top + rise, 65000) >> 1
        riding = self._ride_ms > 0
        charging = current >= 20 if current != _NONE else not riding and rise > 2
        near = top + rise > self._high
        self._grade(2, charging and near and not riding, not near or riding, ms)
        self._grade(3, riding and not charging and top > self._full, not riding or top < self._full - 300, ms)

    def _grade(self, k, yes, no, ms):
        bit = 1 << k
        if yes:
            self.raised |= bit
            self._stay[k] = _STAY_MS
        elif self.raised & bit:
            self._stay[k] -= ms
            if no and self._stay[k] <= 0:
                self.raised &= ~bit


# Follows what is beyond it within seconds, and fades. In 1/16; `now` is not.
def _envelope(level, now, ms):
    now = min(now, 16000) * 16
    if now > level:
        return level + ((now - level) * _part(ms, _QUICK_MS) >> 8)
    return level - level * (ms >> 4) // (_HARD_MS >> 4)

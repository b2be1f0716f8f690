# What the board warns of by itself, decided from every single reading in integers: two looks a scan, no averages.
#
# `look` takes one scan. An alarm is raised after `debounce` looks in a row beyond its limit and cleared after twice as
# many on the good side of limit and hysteresis; latency is debounce x time between looks, plus one worst flash write.
# Changes queue up for the link and the recorder; `active` and `latched` hold whether or not anybody takes them.
# Nothing is allocated after construction. Readings are steps of 0.2 mV or reading codes; temperatures 0.01 degC.

from array import array

from evenstring_protocol import wire
from micropython import const

_ON = const(128)
KINDS = 11  # that are looked at place by place
_ALL = const(15)  # with those that `ahead` foretells
_LATCHED = (1 << wire.ALARM_BELOW_DISCARD) | (1 << wire.ALARM_REVERSED) | (1 << wire.ALARM_ABOVE_CEILING)
_EVENTS = const(64)  # waiting for link and recorder; emptied after every scan
_NOTHING = const(2500)  # steps, 0.5 V: no cell, between two groups over range or in all groups at once. Our choice
_BLIND_MS = const(5000)  # without one believable reading: "not watching". Our choice: said within 10 s in any case

# Most urgent first: what sounds when several are active.
PRIORITY = bytes(
    (
        wire.ALARM_REVERSED,
        wire.ALARM_ABOVE_CEILING,
        wire.ALARM_BELOW_DISCARD,
        wire.ALARM_HOT,
        wire.ALARM_LEAD_ORDER,
        wire.ALARM_COLD_CHARGE,
        wire.ALARM_NOT_WATCHING,
        wire.ALARM_LEAD_OPEN,
        wire.ALARM_EASE_OFF_NOW,
        wire.ALARM_BELOW_EMPTY,
        wire.ALARM_NEAR_CEILING,
        wire.ALARM_BRAKE_GENTLY,
        wire.ALARM_EASE_OFF,
        wire.ALARM_NTC_OPEN,
        wire.ALARM_BAD_CONTACT,
    )
)
MUTE_MS = 600000
MUTE_SHORT_MS = 30000  # a driven-in or overfull group cannot be silenced for longer


class Alarms:
    def __init__(self, groups, temps=0, limits=None):
        from evenboard.base import limits as known  # noqa: PLC0415 -- let go after the start

        v = known.alarms(limits)
        self.groups = groups
        self.temps = temps
        self.empty = 5 * v["empty_mv"]
        self._discard = 5 * v["discard_mv"]
        self.ceiling = 5 * v["ceiling_mv"]
        self._reversed = 5 * v["reversed_mv"]
        self._hyst = 5 * v["hysteresis_mv"]
        self._hot = v["hot_cdeg"]
        self._cold = v["cold_cdeg"]
        self._temp_hyst = v["temp_hysteresis_cdeg"]
        self._charging = v["charging_10ma"]
        self._debounce = v["debounce"]
        self._places = max(groups, temps, 1) + 1  # 0: the whole board; of contacts the lead at pack negative
        cells = KINDS * self._places
        self._run = bytearray(cells)  # looks in a row beyond the limit; while active `_ON` and those on the good side
        self._extreme = array("h", bytes(2 * cells))
        self._told = array("h", bytes(2 * cells))  # extreme of the last event
        self._count = bytearray(KINDS)  # places at which the alarm is active
        self._mute = array("i", bytes(4 * _ALL))  # ms for which it stays silent
        self.active = 0
        self.latched = 0
        self.visited = bytearray(8)  # bit group-1: it was below discard (40 bits used)
        self.latch_dirty = False  # latched or visited changed: to be written to flash
        self._calm_low = self.empty + self._hyst
        self._calm_high = self.ceiling - self._hyst
        self._busy = bytearray(max(groups, 1))  # groups at which an alarm is active or pending
        self.nothing = False  # the latest scan had no believable reading
        self._blind_ms = 0  # for so long nothing was measured that should be
        self._room = _EVENTS
        self._queue = array("h", bytes(2 * 5 * self._room))
        self._head = 0
        self.queued = 0

    # One scan. `current` in 10 mA or -32768; `temp` holds at least `temps` values.
    def look(self, readings, passes, current=-32768, temp=None):
        n = self.groups
        seen = 0
        if not self._unplugged(readings, n * passes):
            seen = self._look_pass(readings, 0, n)
            if passes == 2:
                seen += self._look_pass(readings, n, n)
        for k in range(self.temps):
            self._look_temp(k + 1, temp[k], current)
        self.nothing = seen == 0

    # Nearly every reading stands well between the limits, with nothing pending at its group: one comparison.
    def _look_pass(self, readings, first, n):
        low = self._calm_low
        high = self._calm_high
        busy = self._busy
        seen = 0
        for g in range(n):
            r = readings[first + g]
            if low <= r <= high and not busy[g]:
                seen += 1
            else:
                seen += self._look_group(g + 1, readings, first + g, first)
        return seen

    # Every group at about nothing, at once: no string does that, a pulled harness does. It must not be taken for a
    # visit below discard.
    def _unplugged(self, readings, n):
        for i in range(n):
            r = readings[i]
            if (r >= _NOTHING or r <= -_NOTHING) and r != wire.LEAD_OPEN:
                return False
        return n > 2

    # Time goes on. blind: the board knows that it does not measure what it should.
    def watch_over(self, ms, blind):
        if blind or self.nothing:
            if self._blind_ms < _BLIND_MS:
                self._blind_ms += ms
                if self._blind_ms >= _BLIND_MS:
                    self._raise(wire.ALARM_NOT_WATCHING, 0, wire.NO_READING)
        elif self._blind_ms:
            self._blind_ms = 0
            if self.active >> wire.ALARM_NOT_WATCHING & 1:
                self._clear(wire.ALARM_NOT_WATCHING, 0, 0)

    # What the self-test found of sense lead 0..N: hundreds of ohms too much.
    def contact(self, lead, hundreds, bad):
        i = wire.ALARM_BAD_CONTACT * self._places + lead
        if bad:
            self._extreme[i] = hundreds
            self._raise(wire.ALARM_BAD_CONTACT, lead, hundreds)
        elif self._run[i] >= _ON:
            self._clear(wire.ALARM_BAD_CONTACT, lead, hundreds)

    # Whether leads in the wrong place make reading i, and no cell does: swapped neighbours read minus one between two
    # over range, leads that touch read nothing between two over range, a harness in reverse order minus everywhere.
    def _is_lead(self, readings, i, first):
        r = readings[i]
        if r == wire.OVER_POSITIVE:
            low = i > first and readings[i - 1] != r and self._is_lead(readings, i - 1, first)
            return low or (
                i < first + self.groups - 1 and readings[i + 1] != r and self._is_lead(readings, i + 1, first)
            )
        if r >= _NOTHING or r == wire.LEAD_OPEN or r == wire.NO_READING:
            return False
        if r == wire.OVER_NEGATIVE:
            return True
        over = beside = minus = 0
        for k in range(first, first + self.groups):
            minus += readings[k] < -_NOTHING
            if k == i - 1 or k == i + 1:
                beside += 1
                over += readings[k] == wire.OVER_POSITIVE
        return (beside and over == beside) or minus == self.groups > 1

    def _look_group(self, place, readings, i, first):
        r = readings[i]
        if r == wire.NO_READING:
            return 0
        if r == wire.LEAD_OPEN:
            self._see(wire.ALARM_LEAD_OPEN, place, r, True, False)
            self._busy[place - 1] = 1
            return 0
        lead = (r < _NOTHING or r == wire.OVER_POSITIVE) and self._is_lead(readings, i, first)
        self._see(wire.ALARM_LEAD_ORDER, place, r, lead, not lead)
        if lead:
            self._busy[place - 1] = 1
            return 1
        h = self._hyst
        self._see(wire.ALARM_LEAD_OPEN, place, r, False, True)
        self._see(wire.ALARM_BELOW_EMPTY, place, r, r < self.empty, r >= self.empty + h)
        self._see(wire.ALARM_BELOW_DISCARD, place, r, r < self._discard, r >= self._discard + h)
        self._see(wire.ALARM_REVERSED, place, r, r < self._reversed, r >= self._reversed + h)
        self._see(wire.ALARM_ABOVE_CEILING, place, r, r > self.ceiling, r <= self.ceiling - h)
        self._busy[place - 1] = self._pending(place)
        return 1

    # Whether any alarm of the group is active or about to be.
    def _pending(self, place):
        i = place  # a range with a step would be made on the heap
        for _ in range(KINDS):
            if self._run[i]:
                return 1
            i += self._places
        return 0

    def _look_temp(self, place, t, current):
        if t == -32768:
            self._see(wire.ALARM_NTC_OPEN, place, t, True, False)
            return
        h = self._temp_hyst
        charging = current >= self._charging
        self._see(wire.ALARM_NTC_OPEN, place, t, False, True)
        self._see(wire.ALARM_HOT, place, t, t > self._hot, t <= self._hot - h)
        self._see(wire.ALARM_COLD_CHARGE, place, t, charging and t < self._cold, not charging or t >= self._cold + h)

    # One look at one alarm of one place: beyond its limit, clearly good, or in between.
    def _see(self, kind, place, r, bad, good):
        i = kind * self._places + place
        run = self._run[i]
        if bad:
            if run >= _ON:
                self._run[i] = _ON
                self._follow(kind, place, i, r)
                return
            # Between the first look and the raise the extreme is kept too: the event states the worst of them.
            if run == 0 or self._beyond(kind, r, self._extreme[i]):
                self._extreme[i] = r
            self._run[i] = run + 1
            if run + 1 >= self._debounce:
                self._raise(kind, place, r)
        elif run >= _ON and good:
            self._run[i] = run + 1
            if run + 1 - _ON >= 2 * self._debounce:
                self._clear(kind, place, r)
        elif run:
            self._run[i] = _ON if run >= _ON else 0

    def _beyond(self, kind, r, extreme):
        if kind == wire.ALARM_ABOVE_CEILING or kind == wire.ALARM_HOT:
            return r > extreme
        return r < extreme

    # Still active: tell again when it got worse by the hysteresis, or fell off the range.
    def _follow(self, kind, place, i, r):
        if not self._beyond(kind, r, self._extreme[i]):
            return
        self._extreme[i] = r
        move = r - self._told[i]
        if move < 0:
            move = -move
        if move >= self._hyst + 50:
            self._told[i] = r
            self._put(kind, wire.ALARM_CHANGE_WORSE, place, r, r)

    def _raise(self, kind, place, r):
        i = kind * self._places + place
        if self._run[i] >= _ON:
            return
        if place == 0:
            self._extreme[i] = r
        self._run[i] = _ON
        self._count[kind] += 1
        self._mute[kind] = 0  # news is heard, whatever was silenced before
        self.active |= 1 << kind
        if _LATCHED >> kind & 1:
            self._latch(kind, place)
        self._told[i] = self._extreme[i]
        self._put(kind, wire.ALARM_CHANGE_RAISED, place, r, self._extreme[i])

    def _latch(self, kind, place):
        at = (place - 1) >> 3
        bit = 1 << ((place - 1) & 7)
        new = not self.latched >> kind & 1
        self.latched |= 1 << kind
        if kind != wire.ALARM_ABOVE_CEILING and not self.visited[at] & bit:
            self.visited[at] |= bit
            new = True
        if new:
            self.latch_dirty = True

    def _clear(self, kind, place, r):
        i = kind * self._places + place
        self._run[i] = 0
        self._count[kind] -= 1
        if self._count[kind] == 0:
            self.active &= ~(1 << kind)
            self._mute[kind] = 0
        self._put(kind, wire.ALARM_CHANGE_CLEARED, place, r, self._extreme[i])

    # What `ahead` foretells: its bit k is alarm ease_off + k.
    def foretell(self, ahead):
        changed = self.active >> wire.ALARM_EASE_OFF ^ ahead.raised
        if not changed:
            return
        for k in range(_ALL - wire.ALARM_EASE_OFF):
            if changed >> k & 1:
                kind = wire.ALARM_EASE_OFF + k
                self.active ^= 1 << kind
                self._mute[kind] = 0
                change = wire.ALARM_CHANGE_RAISED if ahead.raised >> k & 1 else wire.ALARM_CHANGE_CLEARED
                if k < 2:
                    self._put(kind, change, ahead.place, ahead.value, ahead.value)
                else:
                    self._put(kind, change, ahead.top_place, ahead.top_value, ahead.top_value)

    # From the copies in flash, at boot.
    def restore(self, latched, visited):
        self.latched = latched & _LATCHED
        for i in range(len(self.visited)):
            self.visited[i] = visited[i] if i < len(visited) else 0
        for kind in range(KINDS):
            if self.latched >> kind & 1:
                self._put(kind, wire.ALARM_CHANGE_LATCHED, 0, wire.NO_READING, wire.NO_READING)

    # On purpose only. An alarm that is active now stays latched.
    def clear_latch(self, mask):
        mask &= ~self.active
        self.latched &= ~mask
        below = (1 << wire.ALARM_BELOW_DISCARD) | (1 << wire.ALARM_REVERSED)
        if not self.latched & below:
            for i in range(len(self.visited)):
                self.visited[i] = 0
        self.latch_dirty = True

    # Silences active alarms for their time; a new place or a new kind sounds at once.
    def acknowledge(self, mask):
        for kind in range(_ALL):
            if mask >> kind & 1 and self.active >> kind & 1:
                short = kind == wire.ALARM_REVERSED or kind == wire.ALARM_ABOVE_CEILING
                self._mute[kind] = MUTE_SHORT_MS if short else MUTE_MS
                self._put(kind, wire.ALARM_CHANGE_ACKNOWLEDGED, 0, wire.NO_READING, wire.NO_READING)

    # Time goes on: silence wears off.
    def pass_time(self, ms):
        for kind in range(_ALL):
            left = self._mute[kind]
            if left:
                self._mute[kind] = left - ms if left > ms else 0

    # The alarm to sound, most urgent first; -1: none.
    def sounding(self):
        for kind in PRIORITY:
            if self.active >> kind & 1 and not self._mute[kind]:
                return kind
        return -1

    # The alarm to show; silence does not hide it.
    def showing(self):
        for kind in PRIORITY:
            if self.active >> kind & 1:
                return kind
        return -1

    # Events are five numbers each: alarm, change, place, value, extreme. The oldest gives way when nobody takes them.
    def _put(self, kind, change, place, value, extreme):
        q = self._queue
        i = 5 * ((self._head + self.queued) % self._room)
        q[i] = kind
        q[i + 1] = change
        q[i + 2] = place
        q[i + 3] = value
        q[i + 4] = extreme
        if self.queued < self._room:
            self.queued += 1
        else:
            self._head = (self._head + 1) % self._room

    # Moves the oldest event to `out`, an array of five. False: there is none.
    def take(self, out):
        if not self.queued:
            return False
        i = 5 * self._head
        for k in range(5):
            out[k] = self._queue[i + k]
        self._head = (self._head + 1) % self._room
        self.queued -= 1
        return True

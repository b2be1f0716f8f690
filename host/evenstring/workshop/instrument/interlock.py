"""What keeps an output from being switched on, and what takes it off again: pure, time is handed in.

Two kinds of end: the step came to its own (a group at its limit, time is up, the charge is done), or something is
wrong. After the latter nothing is switched on again before a person has looked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenstring.board_words import alarm_words
from evenstring.workshop.instrument.order import Order

__all__ = ["Reading", "Scan", "Seen", "Stop", "refusal", "stop"]

_SILENT_S = 5.0  # without a scan, or with a group that is not read: our choice, 10 scans and more
_WRONG_S = 5.0  # of current or volts that are not what was set: our choice, above any soft start that we know
_IN_A_ROW = 2  # scans beyond a limit, so that one odd reading ends nothing: our choice
_SET_PART, _SET_A = 0.05, 0.1  # of what was set, and A: an instrument's own error and steps; our choice
_SENSOR_PART, _SENSOR_A = 0.10, 0.5  # a current sensor's error of gain and zero: our choice, above common ones
_OVER_PART, _OVER_A = 0.10, 0.3  # more than that at once: our choice
_VOLTS_PART, _VOLTS_V, _LEADS_OHM = 0.01, 1.0, 0.15  # instrument against monitor; two long leads: our choice
_HELD_PART = 0.005  # a supply this near to its voltage holds it: our choice
_LIMITED = ("below_empty", "above_ceiling")  # alarms that only say that a limit was reached
_FORETOLD = ("ease_off", "ease_off_now", "near_ceiling", "brake_gently")  # say what is to come: no end


@dataclass(frozen=True, slots=True)
class Scan:
    """What the monitor saw: volts of each group (None: not read), A charging positive, °C."""

    volts_v: tuple[float | None, ...]
    current_a: float | None = None
    temps_c: tuple[float, ...] = ()

    @property
    def pack_v(self) -> float | None:
        """Sum of the groups, None unless each was read."""
        read = [v for v in self.volts_v if v is not None]
        return sum(read) if read and len(read) == len(self.volts_v) else None


@dataclass(frozen=True, slots=True)
class Reading:
    """What the instrument measures at its own terminals."""

    volts_v: float
    current_a: float


@dataclass(frozen=True, slots=True)
class Stop:
    """Why the output goes off. `fault`: something is wrong; else the step came to its own end."""

    why: str
    fault: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """All that the interlock goes by; instants in s of one clock. None: not seen, or not so."""

    on_s: float | None = None
    scan: Scan | None = None
    scan_s: float = 0.0
    beyond: int = 0  # scans in a row with a group beyond its limits
    unread_s: float | None = None  # since when a group has not been read
    alarms: frozenset[tuple[str, int]] = frozenset()  # of the board: kind, place
    reading: Reading | None = None
    wrong_s: float | None = None  # since when current or volts are not what was set
    done_s: float | None = None  # since when a supply holds its voltage at less than the done light

    def with_scan(self, scan: Scan, order: Order, now_s: float) -> Seen:
        """A scan arrived."""
        unread = None if scan.pack_v is not None else now_s if self.unread_s is None else self.unread_s
        beyond = self.beyond + 1 if _beyond(scan, order) else 0
        return replace(self, scan=scan, scan_s=now_s, unread_s=unread, beyond=beyond)

    def with_reading(self, reading: Reading, order: Order, now_s: float) -> Seen:
        """The instrument answered, output on."""
        wrong = None if not _wrong(reading, self.scan, order) else now_s if self.wrong_s is None else self.wrong_s
        done = None if not _done(reading, order) else now_s if self.done_s is None else self.done_s
        return replace(self, reading=reading, wrong_s=wrong, done_s=done)

    def with_alarms(self, alarms: frozenset[tuple[str, int]]) -> Seen:
        """What the board warns of now."""
        return replace(self, alarms=alarms)

    def switched(self, on_s: float | None) -> Seen:
        """The output was switched on, or off (None)."""
        return replace(self, on_s=on_s, reading=None, wrong_s=None, done_s=None)


def refusal(seen: Seen, at_rest: Reading, order: Order, now_s: float) -> Stop | None:
    """Why the output may not be switched on now; None when it may. `at_rest`: measured with the output off."""
    scan = seen.scan
    if scan is None or now_s - seen.scan_s > _SILENT_S:
        return Stop("the monitor sends no scans", fault=True)
    if scan.pack_v is None:
        unread = [k for k, v in enumerate(scan.volts_v, start=1) if v is None]
        return Stop(f"group {', '.join(map(str, unread))} is not read", fault=True)
    if len(scan.volts_v) != order.groups:
        read = f"the monitor reads {len(scan.volts_v)} groups, and the pack profile has {order.groups}"
        return Stop(read, fault=True)
    if (alarm := _alarm(seen)) is not None:
        return alarm
    if beyond := _beyond(scan, order):
        return Stop(beyond, fault=False)
    wrong = _temperature(scan, order) or _flowing(scan) or _terminals(at_rest, scan.pack_v, order)
    return Stop(wrong, fault=True) if wrong else None


def stop(seen: Seen, order: Order, now_s: float) -> Stop | None:
    """Why the output goes off now; None while it may stay on."""
    if seen.scan is None or now_s - seen.scan_s > _SILENT_S:
        return Stop(f"the monitor has been silent for {_SILENT_S:.0f} s", fault=True)
    if (alarm := _alarm(seen)) is not None:
        return alarm
    if seen.beyond >= _IN_A_ROW:
        return Stop(_beyond(seen.scan, order), fault=False)
    if seen.unread_s is not None and now_s - seen.unread_s > _SILENT_S:
        return Stop(f"a group has not been read for {_SILENT_S:.0f} s", fault=True)
    if hot := _temperature(seen.scan, order):
        return Stop(hot, fault=True)
    return _of_the_instrument(seen, seen.scan, order, now_s)


def _of_the_instrument(seen: Seen, scan: Scan, order: Order, now_s: float) -> Stop | None:
    if seen.reading is not None:
        if over := _over(seen.reading, order):
            return Stop(over, fault=True)
        if seen.wrong_s is not None and now_s - seen.wrong_s >= _WRONG_S:
            return Stop(_wrong(seen.reading, scan, order), fault=True)
    if seen.done_s is not None and now_s - seen.done_s >= order.held_s:
        return Stop(f"done: {order.held_s / 60:.0f} min at less than {order.done_a:g} A", fault=False)
    if seen.on_s is not None and now_s - seen.on_s > order.longest_s:
        return Stop(f"on for {order.longest_s / 3600:.1f} h, the longest that was stated", fault=False)
    return None


def _alarm(seen: Seen) -> Stop | None:
    """The worst that the board warns of: what is wrong before what only reached a limit."""
    standing = sorted(seen.alarms, key=lambda a: (a[0] in _LIMITED, a))
    standing = [a for a in standing if a[0] not in _FORETOLD]
    if not standing:
        return None
    return Stop(f"the board warns: {alarm_words(*standing[0])}", fault=standing[0][0] not in _LIMITED)


def _beyond(scan: Scan, order: Order) -> str:
    for group, volts in enumerate(scan.volts_v, start=1):
        if volts is not None and volts >= order.ceiling_v:
            return f"group {group} is at {volts:.3f} V, its ceiling is {order.ceiling_v:.2f} V"
        if volts is not None and volts <= order.floor_v:
            return f"group {group} is at {volts:.3f} V, its floor is {order.floor_v:.2f} V"
    return ""


def _temperature(scan: Scan, order: Order) -> str:
    for temp_c in scan.temps_c:
        if not order.cold_c <= temp_c <= order.hot_c:
            return f"{temp_c:.1f} °C, and this is done between {order.cold_c:.0f} and {order.hot_c:.0f} °C"
    return ""


def _flowing(scan: Scan) -> str:
    if scan.current_a is None or abs(scan.current_a) <= _SENSOR_A:
        return ""
    return f"{scan.current_a:+.2f} A flow already: switch off what else hangs on the pack"


def _terminals(at_rest: Reading, pack_v: float, order: Order) -> str:
    """Whether the instrument hangs on this pack, the right way round, as far as it can see with its output off."""
    if at_rest.volts_v < -_VOLTS_V:
        return f"the instrument reads {at_rest.volts_v:.1f} V: its leads are the wrong way round"
    if order.voltage_v is not None:
        return (
            f"the pack stands at {pack_v:.2f} V, above the {order.voltage_v:.2f} V that it would be charged to"
            if pack_v > order.voltage_v + _VOLTS_V
            else ""
        )
    if abs(at_rest.volts_v - pack_v) > _VOLTS_PART * pack_v + _VOLTS_V:
        return (
            f"the load reads {at_rest.volts_v:.1f} V, and the pack has {pack_v:.1f} V: is it wired, and to this pack?"
        )
    return ""


def _over(reading: Reading, order: Order) -> str:
    amps = abs(reading.current_a)
    if amps > order.current_a * (1 + _OVER_PART) + _OVER_A:
        return f"the instrument measures {amps:.2f} A, and {order.current_a:.2f} A was set"
    if order.voltage_v is not None and reading.volts_v > order.voltage_v * (1 + _VOLTS_PART) + _VOLTS_V:
        return f"the instrument measures {reading.volts_v:.2f} V, and {order.voltage_v:.2f} V was set"
    return ""


def _wrong(reading: Reading, scan: Scan | None, order: Order) -> str:
    """What does not fit together: instrument against what was set, monitor against instrument."""
    amps = abs(reading.current_a)
    short_a = order.current_a - amps
    if abs(short_a) > _SET_PART * order.current_a + _SET_A and not (short_a > 0 and _holds(reading, order)):
        return f"the current is {amps:.2f} A, and {order.current_a:.2f} A was set"
    if scan is None:
        return ""
    flows_a = amps if order.kind == "supply" else -amps
    if scan.current_a is not None and abs(scan.current_a - flows_a) > _SENSOR_PART * amps + _SENSOR_A:
        return f"the monitor sees {scan.current_a:+.2f} A, and the instrument {flows_a:+.2f} A"
    pack_v = scan.pack_v
    if pack_v is not None and abs(reading.volts_v - pack_v) > _VOLTS_PART * pack_v + _VOLTS_V + _LEADS_OHM * amps:
        return f"the instrument has {reading.volts_v:.2f} V at its terminals, and the pack {pack_v:.2f} V"
    return ""


def _holds(reading: Reading, order: Order) -> bool:
    """Whether a supply has come to its voltage, where less current is as it should be."""
    return order.voltage_v is not None and reading.volts_v >= order.voltage_v * (1 - _HELD_PART)


def _done(reading: Reading, order: Order) -> bool:
    return _holds(reading, order) and reading.current_a <= order.done_a

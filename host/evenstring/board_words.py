"""What a board says of itself, in words with what to do: its state and faults (HEALTH), what it warns of (ALARM)."""

from __future__ import annotations

__all__ = ["alarm_words", "aside_words", "health_words"]

_FAULTS = {
    "none": ("nothing is measured", "look at the board"),
    "bus": (
        "a part on its I2C bus does not answer",
        "check the supply and the plugs of the front end; it tries again every 5 s",
    ),
    "adc": ("its converter gives nothing believable", "check the supply and the wiring of the front end"),
    "stuck_relay": (
        "{at}a relay conducts though it is commanded open",
        "unplug the harness, and have the relay replaced",
    ),
    "settle": ("its readings do not settle", "check the sense leads and the series resistors"),
    "config": ("its description cannot be used", "write a good one with `evenstring deploy`"),
    "mux": ("its multiplexer does not take commands", "unplug the harness, then check the multiplexer's wiring"),
    "memory": ("its record memory failed", "fetch what it holds, then have the flash looked at"),
    "firmware": (
        "its firmware met an error of its own",
        "it tries again every 5 s; if that lasts, unplug the harness and deploy the firmware anew",
    ),
}
_NO_PLACE = 255
_ALARMS = {
    "below_empty": "below empty",
    "below_discard": "below discard: do not charge this pack",
    "above_ceiling": "above ceiling: stop charging",
    "reversed": "driven negative: stop now, and do not charge this pack",
    "lead_open": "sense lead open: it is not watched",
    "hot": "hot",
    "cold_charge": "charged while too cold",
    "ntc_open": "a temperature sensor is missing",
    "memory": "its record memory failed: rides are not recorded",
    "settle": "its readings do not settle: check the sense leads",
    "not_watching": "the board does not watch: ride and charge as if there were none",
    "bad_contact": "sense lead has a bad contact or a shorted resistor: groups at it read low or high",
    "lead_order": "sense leads swapped, touching or in reverse order; unplug the harness",
    "ease_off": "ease off: soon below empty at the usual hard load",
    "ease_off_now": "ease off now: at the usual hard load it would be below empty",
    "near_ceiling": "about to reach its ceiling: watch the charge",
    "brake_gently": "brake gently: near full, braking could lift it to its ceiling",
}


def health_words(state: str, fault: str, where: int = _NO_PLACE) -> str:
    """A sentence about a board that does not measure: fault, place and what to do; empty when there is nothing to say.

    Args:
        state: name of the protocol's `state`, from HEALTH.
        fault: name of its `fault`.
        where: HEALTH's `fault_where`; 255 where it has no place.
    """
    if state != "fault":
        return ""
    what, do = _FAULTS.get(fault, (f"fault {fault}", "take a newer version of evenstring to read it"))
    at = f"at tap {where} " if where != _NO_PLACE else ""
    return f"the board does not measure: {what.format(at=at)}; {do}"


def aside_words(state: str, fault: str) -> str:
    """What is wrong with a board that measures all the same, and what to do; empty when there is nothing to say."""
    if state == "fault" or fault not in ("memory", "settle"):
        return ""
    what, do = _FAULTS[fault]
    lost = ": rides are not recorded" if fault == "memory" else ""
    return f"{what}{lost}; {do}"


def alarm_words(kind: str, place: int) -> str:
    """What an alarm of the board says, with its place: a group, the sense lead of bad_contact; 0: the whole board."""
    what = _ALARMS.get(kind, kind.replace("_", " "))
    if kind == "bad_contact":
        return what.replace("sense lead", f"sense lead {place}", 1)
    return f"group {place} {what}" if place else what

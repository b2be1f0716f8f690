"""The usual cautions, as commands print them before a step at a live pack."""

from __future__ import annotations

__all__ = ["BENCH", "CALIBRATE", "SWITCHED", "UNSWITCHED", "WIRING"]

_GENERAL = (
    "CAUTION. A pack above 60 V DC can kill, and any lithium-ion pack can burn. Local codes, the pack maker's\n"
    "instructions and licensed practice come first; the pack's protection board stays in charge."
)
WIRING = _GENERAL + (
    "\nFuse and series resistors stand at the cell end of every lead. Not alone; fuses out while leads are fitted,"
    "\nplug free and covered; fuses in one at a time; each pin checked with a hand meter; the plug into the monitor"
    "\nlast, with no computer attached. Smoke, hiss, swelling: leave, close, call the fire brigade; never carry a"
    "\npack. Never open or share the protection board's own harness."
)
CALIBRATE = _GENERAL + (
    "\nMeasure at the cells, with insulated probes, one hand, one group at a time: behind the leads' resistors a"
    "\nhand meter of 10 Mohm reads 0.24 % low or more. A battery-powered computer, unplugged, until the barrier is"
    "\ntested."
)
BENCH = _GENERAL + (
    "\nNever charge or discharge unattended; on a surface that does not burn, away from people and exits; not a wet,"
    "\nswollen, warm or damaged pack. A battery-powered computer, unplugged, until the barrier is tested. Smoke, hiss,"
    "\nswelling: leave, close, call the fire brigade."
)
UNSWITCHED = "\nThis tool switches nothing and stops nothing."
SWITCHED = (
    "\nThis tool SWITCHES the instruments below, and takes them off when something is not as it should be. It cannot"
    "\nwhen its computer is gone: set the instrument's own limits, fuse its leads at the pack, know its switch."
)

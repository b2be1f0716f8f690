"""The usual cautions, as commands print them before a step at a live pack."""

from __future__ import annotations

__all__ = ["BENCH", "CALIBRATE", "SWITCHED", "UNSWITCHED", "WIRING"]

_GENERAL = (
    "CAUTION. A pack above 60 V DC can kill, and any lithium-ion pack can burn. Local\n"
    "codes, the pack maker's instructions and licensed practice come first; the\n"
    "pack's protection board stays in charge."
)
WIRING = _GENERAL + (
    "\nFuse and series resistors stand at the cell end of every lead. Not alone; fuses"
    "\nout while leads are fitted, plug free and covered; fuses in one at a time; each"
    "\npin checked with a hand meter; the plug into the monitor last, with no computer"
    "\nattached. Smoke, hiss, swelling: leave, close, call the fire brigade; never"
    "\ncarry a pack. Never open or share the protection board's own harness."
)
CALIBRATE = _GENERAL + (
    "\nMeasure at the cells, with insulated probes, one hand, one group at a time:"
    "\nbehind the leads' resistors a hand meter of 10 Mohm reads 0.24 % low or more."
    "\nA battery-powered computer, unplugged, until the barrier is tested."
)
BENCH = _GENERAL + (
    "\nNever charge or discharge unattended; on a surface that does not burn, away from"
    "\npeople and exits; not a wet, swollen, warm or damaged pack. A battery-powered"
    "\ncomputer, unplugged, until the barrier is tested. Smoke, hiss, swelling: leave,"
    "\nclose, call the fire brigade."
)
UNSWITCHED = "\nThis tool switches nothing and stops nothing."
SWITCHED = (
    "\nThis tool SWITCHES the instruments below, and takes them off when something is"
    "\nnot as it should be. It cannot when its computer is gone: set the instrument's"
    "\nown limits, fuse its leads at the pack, and know where its switch is."
)

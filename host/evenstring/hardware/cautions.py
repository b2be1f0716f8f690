"""The usual cautions, as commands print them before a step at a live pack."""

from __future__ import annotations

__all__ = ["CALIBRATE", "WIRING"]

_GENERAL = (
    "CAUTION. A pack above 60 V DC can kill, and any lithium-ion pack can burn. Local codes, the pack maker's\n"
    "instructions and licensed practice come first; the pack's protection board stays in charge."
)
WIRING = _GENERAL + (
    "\nFuse every lead at the cell end. Fit leads with the plug free, check each pin with a hand meter, and plug the\n"
    "monitor in last, with no computer attached. Never open or share the protection board's own harness."
)
CALIBRATE = _GENERAL + (
    "\nMeasure with insulated probes, one hand, one group at a time. Use a battery-powered computer or a USB isolator\n"
    "until the barrier has been tested."
)

# What runs on the board. `app` is the main loop, `relay_scan` and `divider_bank` are front ends, the rest serves them.
# Laws of this package: integer microvolts; nothing is allocated in the scan path; no integer reaches 2^30 (it would be
# a heap object on a 32-bit board); every wait is bounded; one core, no threads, no work in interrupts; relays are
# commanded open on any fault.

NAME = "evenboard"
VERSION = "0.1.0"


# A module that is loaded only when it is asked for.
def load(name):
    import sys  # noqa: PLC0415 -- as below

    __import__(NAME + "." + name)
    return sys.modules[NAME + "." + name]


# Gives a module's memory back when it is done with; importing it again loads it again.
def unload(name):
    import sys  # noqa: PLC0415 -- this file is part of every import: it has no names but its own

    here = sys.modules[NAME]
    if sys.modules.pop(NAME + "." + name, None) and hasattr(here, name):
        delattr(here, name)

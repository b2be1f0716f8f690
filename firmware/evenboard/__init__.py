# What runs on the board. `app` is the main loop and `sleep` its rest. The rooms, each standing on those above it:
#   base/   clock, files, the checked board description
#   line/   frames to and from the host, what they say, commands
#   front/  front ends and their parts: relay scan or divider bank, converters, sensors, calibration
#   flash/  the recorder and what it keeps: segments, latch, boots
#   warn/   alarms, signals, and the watch that ties them and the recorder to each scan
#   start/  from a board description to an App; let go after the start
# A room is a folder without an `__init__.py`: that file would cost heap and say nothing. Its own module serves imports
# only, so main.py lets it go too; an import makes it anew.
#
# Laws of this package: integer microvolts; nothing is allocated in the scan path; no integer reaches 2^30 (it would be
# a heap object on a 32-bit board); every wait is bounded; one core, no threads, no work in interrupts; relays are
# commanded open on any fault.

NAME = "evenboard"
VERSION = "0.1.0"
MARK = "maintenance.mark"  # asks the next start for a plain console (start/maintenance.py)


# A module that is loaded only when it is asked for; `name` with its room: "flash.segments".
def load(name):
    import sys  # noqa: PLC0415 -- as below

    __import__(NAME + "." + name)
    return sys.modules[NAME + "." + name]


# Gives a module's memory back when it is done with; importing it again loads it again.
def unload(name):
    import sys  # noqa: PLC0415 -- this file is part of every import: it has no names but its own

    room, _, last = (NAME + "." + name).rpartition(".")
    here = sys.modules.get(room)
    if sys.modules.pop(room + "." + last, None) and hasattr(here, last):
        delattr(here, last)

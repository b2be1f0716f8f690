# Runs on MicroPython: main.py itself, from its first statement, on the models; with bytes of a host at given instants.
#
# The interpreter's interrupt is played too: a 0x03 that comes while it is on raises KeyboardInterrupt where main.py
# stands, as on a board. Each import of a file takes `IMPORT_MS` of virtual time, so that the start has a length.

import builtins
import json
import random
import sys

import micropython
import vtime

IMPORT_MS = 13  # 43 files in 0.55 s on an RP2040 at 125 MHz
_import = builtins.__import__


class Micropython:
    const = staticmethod(lambda x: x)
    heap_lock = micropython.heap_lock
    heap_unlock = micropython.heap_unlock
    on = 3  # the character that interrupts

    def kbd_intr(self, character):
        Micropython.on = character


sys.modules["micropython"] = Micropython()
import machine  # noqa: E402 -- as above
from rig import RP2040_24, Still, VirtualBoard, World  # noqa: E402 -- after what it shall import was replaced


class End(BaseException):
    pass


# A line on which the byte `what(k)` waits at `from_ms` and after each `gap_us`; None: nothing.
class Line:
    def __init__(self, what=None, from_ms=0, until_ms=0, gap_us=100):
        self.what = what
        self.from_ms = from_ms
        self.until_ms = until_ms
        self.gap_us = gap_us
        self.given = 0
        self.sent = bytearray()

    def waits(self):
        if self.what is None or not self.from_ms <= vtime.ms - Run.began < self.until_ms:
            return False
        return self.given < ((vtime.ms - Run.began - self.from_ms) * 1000 + 1000) // self.gap_us

    def readinto(self, one):
        one[0] = self.what(self.given)
        vtime.advance(60)  # of the interpreter, some twenty turns of a loop on an RP2040
        self.given += 1
        return 1

    def write(self, data, n):
        if len(self.sent) < 200000:
            self.sent.extend(bytes(data[:n]))
        return n


# Unfed it restarts the board, as a real one does.
class Watchdog(machine.WDT):
    def __init__(self, timeout):
        Watchdog.plain.__init__(self, timeout)
        Run.dog = self


class Run:
    dog = None
    began = 0
    line = None
    limit = 0
    over = False


# As the board's, with its time; nothing while a run is being made ready.
def slow_import(name, *rest):
    known = len(sys.modules)
    module = _import(name, *rest)
    if Run.line and len(sys.modules) > known:
        vtime.sleep_ms(IMPORT_MS * (len(sys.modules) - known))
    return module


machine.WDT, Watchdog.plain = Watchdog, machine.WDT
builtins.__import__ = slow_import
_advance = vtime._advance_ms


def advance_ms(n):
    before = vtime.ms - Run.began
    _advance(n)
    line = Run.line
    if line and line.what and Micropython.on == 3:
        after = vtime.ms - Run.began
        if before < line.until_ms and after >= line.from_ms and line.what(0) == 3:
            raise KeyboardInterrupt
    dog = Run.dog
    if dog and vtime.ms - dog.fed_ms > dog.timeout:
        Run.dog = None
        raise machine.Reset
    if vtime.ms - Run.began > Run.limit and not Run.over:
        Run.over = True
        raise End


vtime._advance_ms = advance_ms
FIRMWARE = ("evenboard", "evenstring_protocol")


def forget():
    for name in list(sys.modules):
        if name == "main" or name.split(".")[0] in FIRMWARE:
            del sys.modules[name]


# One life of the board: its files are imported anew. "end" after `ms`, or what ended it before.
def live(line, ms):
    Run.line = Run.dog = None
    forget()
    Micropython.on = 3
    Run.over = False
    Run.began = vtime.ms
    Run.line = line
    Run.limit = ms
    try:
        import main  # noqa: PLC0415 -- that is the start

        main.main("board.json", line)
    except (End, machine.Reset):
        return "end" if Run.over else "reset"
    except KeyboardInterrupt:
        pass
    finally:
        Run.dog = None  # nothing runs until the next life
        Run.over = True
    return "console"


# Group 4 stands below discard, so that an alarm brings what is recorded to flash at once.
def board(changes=None):
    data = dict(RP2040_24, autostart=True, interval_ms=500, alarms={}, recorder={"folder": "rec", "room_kb": 200})
    data.update(changes or {})
    with open("board.json", "w") as f:
        json.dump(data, f)
    volts_uv = [3700000] * data["groups"]
    volts_uv[3] = 2400000
    world = World(Still(volts_uv, 5000))
    return world, VirtualBoard(world, data)


def garbage(seed):
    rng = random.Random(seed) if hasattr(random, "Random") else None
    if rng is None:
        random.seed(seed)
    return lambda _k: (rng or random).getrandbits(8)

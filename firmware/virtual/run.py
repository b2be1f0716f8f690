# Runs the firmware's own files on the virtual board: run.py TRACE BOARD.json SPEED
#
# SPEED is 0 for as fast as the machine can, else a factor of real time. The trace's time stands still until a command
# comes and while the board is idle. It ends when the trace is over or the other side goes away. Faults of the board
# itself may stand beside its description: BOARD.faults.json.

import sys

_HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."
if sys.implementation.name != "micropython":
    sys.path.insert(0, _HERE + "/cpython")
import time as real_time  # noqa: E402 -- before its place is taken

import vtime  # noqa: E402 -- after the path

sys.modules["time"] = vtime

import machine  # noqa: E402 -- the virtual one
from board_faults import BoardFaults  # noqa: E402
from evenboard.base import description as boards  # noqa: E402
from evenboard.flash.boots import Boots  # noqa: E402
from evenboard.line import config  # noqa: E402
from evenboard.start.build import make_app  # noqa: E402
from evenstring_protocol import wire  # noqa: E402
from pack_trace import Trace, faults_of  # noqa: E402
from port import Port  # noqa: E402
from virtual_board import VirtualBoard  # noqa: E402
from world import World  # noqa: E402


# Keeps virtual time from running ahead of `speed` times real time.
class Pacer:
    def __init__(self, speed):
        self._speed = speed
        self.restart()

    def restart(self):
        self._real = self._now()
        self._virtual = vtime.ms

    def _now(self):
        return real_time.ticks_ms() if hasattr(real_time, "ticks_ms") else int(real_time.monotonic() * 1000)

    def __call__(self):
        ahead = (vtime.ms - self._virtual) / self._speed - (self._now() - self._real)
        if ahead > 5:
            real_time.sleep(ahead / 1000)


def description(path, trace):
    data, problem = boards.load(path)
    if problem:
        return data, problem
    data["groups"] = trace.groups
    if data.get("ntc"):
        if trace.temps:
            data["ntc"]["count"] = min(4, trace.temps)
        else:
            del data["ntc"]
    return data, boards.check(data)


# As main.py does after a reset: a new App with its files beside the description.
def boot(board_path, trace, write, feed, cause):
    data, problem = description(board_path, trace)
    folder = board_path.rsplit("/", 1)[0] if "/" in board_path else "."
    boots = Boots(folder + "/boots.json", cause)
    app = make_app(data, problem, write, feed, boots.reason, boots.count, folder + "/calibration.bin")
    app.boots = boots
    if boots.agree(app.boot_count) and app.watch and app.watch.recorder:
        app.watch.recorder.memory |= wire.MEMORY_BOOTS_RESTORED
    config.register(app, board_path)
    app.begin()
    return app


def main(trace_path, board_path, speed):
    trace = Trace(trace_path)
    data, problem = description(board_path, trace)
    mux = data.get("mux") or {}
    world = World(trace, faults_of(trace_path), 1, mux.get("series_ohm", 10000), mux.get("bus_pf", 3000))
    if not problem:
        VirtualBoard(world, data)
    faults = BoardFaults(machine.board, data, faults_of(board_path))
    port = Port()
    write = faults.write(port.write)
    watchdog = machine.WDT(timeout=8000)
    pacer = vtime.pace = Pacer(speed) if speed else None
    faults.turn()
    app = boot(board_path, trace, write, watchdog.feed, wire.RESET_REASON_POWER_ON)
    while not world.over() and not port.ended:
        idle = app.state == wire.STATE_IDLE
        port.serve(app, 50 if idle else 0)
        if app.leaving:
            app = boot(board_path, trace, write, watchdog.feed, wire.RESET_REASON_UNKNOWN)
        if faults.turn():
            watchdog.fed_ms = vtime.ms
            app = boot(board_path, trace, write, watchdog.feed, wire.RESET_REASON_WATCHDOG)
        if idle:
            if pacer:
                pacer.restart()
            if app.state == wire.STATE_IDLE:
                continue
        wait = app.poll()
        if wait:
            vtime.sleep_ms(min(wait, 1000))
    app.send_health()
    if world.crimes:
        raise RuntimeError("relay commands broke the rule: %r" % (world.crimes,))
    if watchdog.longest_ms > watchdog.timeout:
        raise RuntimeError("the watchdog went without food for %d ms" % watchdog.longest_ms)


# MicroPython would print a traceback on standard output, which is the serial line here.
def report(error):
    if sys.implementation.name == "micropython":
        sys.print_exception(error, sys.stderr)
    else:
        import traceback  # noqa: PLC0415 -- not on a board

        traceback.print_exception(error, file=sys.stderr)


if __name__ == "__main__":
    try:
        main(sys.argv[1], sys.argv[2], float(sys.argv[3]))
    except Exception as error:
        report(error)
        sys.exit(1)

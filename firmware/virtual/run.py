# The virtual board: the firmware's own files on models of its parts. Started by the host as
#
#     micropython run.py TRACE BOARD.json SPEED
#
# with standard input and output as its serial line. Simulated time begins with the first START; SPEED 0 runs as fast as
# the machine, 1 in real time. Ends when the trace is over.

import sys

import vtime

sys.modules["time"] = vtime

import select  # noqa: E402  # after the clock was replaced

import machine  # noqa: E402
from evenboard import board as boards  # noqa: E402
from evenboard.build import make_app  # noqa: E402
from evenstring_protocol import wire  # noqa: E402
from faults import Faults  # noqa: E402
from pack import TracePack  # noqa: E402
from parts import Converter, Expander  # noqa: E402
from wiring import Wiring  # noqa: E402


# Put the models behind `machine`; returns the wiring and the string's converter.
def connect(data, pack):
    m = data["mux"]
    wiring = Wiring(pack, m["series_ohm"], m["bus_pf"])
    adc = data["adc"]
    base = (adc.get("virtual_offset_uv", 0), adc.get("virtual_gain_ppm", 0), adc.get("noise_uv", 0))
    converter = Converter(wiring.sample, base[2], base[0], base[1])
    machine.parts[adc["address"]] = converter
    machine.parts[m["address"]] = Expander(wiring)
    machine.pins[m["alive_pin"]] = lambda value: wiring.feed() if value else None
    current = data.get("current")
    if current:
        zero, scale = current["zero_uv"], current["uv_per_a"] // 100

        def volts():
            return zero + pack.current_ma * scale // 10

        machine.parts[current["address"]] = Converter(volts, current.get("noise_uv", 500), seed=7)
    return wiring, converter, base


def serial():
    if sys.implementation.name == "micropython":
        return sys.stdin, sys.stdin.buffer, sys.stdout.buffer
    import io  # noqa: PLC0415  # only CPython buffers its standard streams

    raw = io.FileIO(0, "rb", closefd=False)
    return raw, raw, io.FileIO(1, "wb", closefd=False)


def main(trace, board_path, speed):
    data, problem = boards.load(board_path)
    if problem:
        raise ValueError(problem)
    pack = TracePack(trace)
    if pack.groups != data["groups"]:
        raise ValueError("trace and board description differ in groups")
    wiring, converter, base = connect(data, pack)
    faults = Faults(trace[: -len(".trace")] + ".faults.json" if trace.endswith(".trace") else trace + ".faults.json")
    waiting, source, out = serial()
    app = make_app(board_path, out, lambda: None, wire.RESET_REASON_POWER_ON, 1)
    app.begin()
    poll = select.poll()
    poll.register(waiting, select.POLLIN)
    one = bytearray(1)
    while not pack.over:
        while poll.poll(0):
            if not source.readinto(one):
                return  # the other end is gone for good
            app.receive(one, 1)
        if app.state == wire.STATE_SCANNING and not vtime.running():
            vtime.begin(speed)
        now = vtime.elapsed_ms()
        pack.to(now)
        faults.apply(now, wiring, converter, base)
        wait = app.poll()
        if wait:
            vtime.sleep_ms(wait)
        if vtime.running():
            vtime.pace()
    app.send_health()
    if wiring.violations:
        raise RuntimeError("relay commands broke the rule %d times" % wiring.violations)


# MicroPython would print a traceback on standard output, which is the serial line here.
def report(error):
    if sys.implementation.name == "micropython":
        sys.print_exception(error, sys.stderr)
    else:
        import traceback  # noqa: PLC0415  # not on a board

        traceback.print_exception(error, file=sys.stderr)


if __name__ == "__main__":
    try:
        main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
    except Exception as error:
        report(error)
        sys.exit(1)

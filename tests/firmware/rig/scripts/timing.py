# Interpreter time of the firmware alone: parts that answer at once take the place of the models. Runs on MicroPython.
#
# Times are given as multiples of a fixed reference loop run beside each, so that they say something on any machine.

import time as real  # before the virtual clock takes its place

from rig import Rig  # isort: skip

from array import array

from evenboard.flash.delta import DeltaEncoder
from evenboard.warn.alarms import Alarms
from evenstring_protocol import best, framing

_ROUNDS = 2


class Bus:
    # Conversion ready, 3.75 V (code 20000) on whatever is read.
    def writeto(self, address, data):
        pass

    def readfrom_into(self, address, into):  # noqa: ARG002 -- as the real one
        into[0] = 0xCE
        if len(into) > 1:
            into[1] = 0x20


class Level:
    def value(self, level=None):
        return level


# A thousand turns of one small sum: the measure of all else.
def reference():
    x = 1
    for _ in range(1000):
        x = (x * 75 + 74) % 65537
    return x


# A thousand turns of a loop that does nothing: the unit in which an emulated RP2040's scans are known.
def turns():
    for _ in range(1000):
        pass


_dice = [1]


# Between -9 and 9 steps of 0.2 mV, small ones more often.
def noise():
    total = 0
    for _ in range(3):
        _dice[0] = (_dice[0] * 75 + 74) % 65537
        total += _dice[0] % 7 - 3
    return total


def took(action, *args):
    begin = real.ticks_us()
    for _ in range(_ROUNDS):
        action(*args)
    return real.ticks_diff(real.ticks_us(), begin) / _ROUNDS


# The quickest of many rounds of each thing, all taking turns, so that a busy machine disturbs them alike.
def ratios(actions):
    best = [1 << 29] * len(actions)
    for _ in range(80):
        for k, (action, args) in enumerate(actions):
            best[k] = min(best[k], took(action, *args))
    return [b / best[0] for b in best]


# The interpreter's own time: a bus that answers at once in the place of the models.
def without_models(front):
    bus = Bus()
    for part in (front.mux._port, front.adc, front.sensors._main, front.sensors._heat):
        part._i2c = bus
    front.mux._alive = Level()
    # Held readings, since the bus cannot tell a zero from a group.
    front.read_zero = lambda: True
    front._no_stuck = lambda: True
    front.mux.is_open = lambda: True


# A load that moves, so that shares are learnt too; each look is due.
def forecast(ahead, readings):
    state = [0]
    loaded = [array("h", (r - 60 * (k & 3) for r in readings)) for k in range(16)]

    def foretell():
        state[0] = (state[0] + 1) & 15
        ahead.look(loaded[state[0]], 2, 500, 400)

    return foretell


def main(groups):
    rig = Rig(groups=groups, changes={"alarms": {}})
    app = rig.app
    front = rig.front
    link = app.link
    app.scan_once()
    without_models(front)
    size = 17 + 2 * (4 * groups) + 6 + 2
    quiet = Alarms(groups, 1)  # with nothing pending, as nearly always
    encoder = DeltaEncoder(groups, 2, 1, 1, 1)
    noisy = [array("h", (r + noise() for r in front.readings)) for _ in range(16)]
    state = [0]

    # Scans on and on with noise of about 1 mV, new blocks included: what the recorder adds to a scan.
    def delta():
        state[0] = (state[0] + 1) & 15
        if not encoder.add(0, 0, noisy[state[0]], (500, 9000, 2500)):
            encoder.close(0)
            encoder.begin(0)

    actions = (
        (reference, ()),
        (turns, ()),
        (forecast(app.watch.ahead, front.readings), ()),
        (quiet.look, (noisy[0], 1, 500, front.sensors.temp)),
        (app.scan_once, ()),
        (front.scan, ()),
        (quiet.look, (noisy[0], 2, 500, front.sensors.temp)),
        (app.send_scan, ()),
        (delta, ()),
        (best.put_crc, (link.body, size)),
        (best.encode, (link.body, size + 4, link.stuffed)),
        (framing.put_crc, (link.body, size)),
        (framing.encode, (link.body, size + 4, link.stuffed)),
    )
    _, idle, foretold, one_pass, whole, read, look, send, block, crc, stuff, plain_crc, plain_stuff = ratios(actions)
    for name, value in (
        ("whole", whole),
        ("read", read),
        ("alarms", look),
        ("pack", send - crc - stuff),
        ("delta", block),
        ("crc", crc),
        ("cobs", stuff),
        ("plain_crc", plain_crc),
        ("plain_cobs", plain_stuff),
        ("ahead", foretold),
        ("turns_relay", 1000 * (look + foretold) / idle),
        ("turns_bank", 1000 * (one_pass + foretold / 5) / idle),
    ):
        print(name, value)

# A random walk through commands, faults, hangs and resets, watched by the model of the relays. Runs on MicroPython.

import random
import struct

from rig import Rig  # isort: skip -- first of all: it puts the virtual clock in its place

import vtime
from evenboard.start.build import make_app
from evenstring_protocol import wire
from virtual_board import Crash


class Walk:
    def __init__(self, seed, groups):
        random.seed(seed)
        # Every other string has a switch for its island, so that its power goes and comes in the walk too.
        self.island = groups % 8 == 4
        self.rig = Rig(groups=groups, changes={"island": {"pin": 20, "start_ms": 20}} if self.island else None)
        self.board = self.rig.board
        self.counts = {}
        self.good = 0
        self.late = 0  # faults after which something still conducted by command when the one-shot's time was over
        self.actions = [self.scan] * 4 + [self.well] * 2
        self.actions += [self.poll, self.command, self.garbage, self.part_fails, self.part_goes, self.part_comes]
        if self.island:
            self.actions += [self.rest, self.part_hangs, self.line_hangs]
        self.actions += [self.bus_low, self.hang, self.crash, self.expander_browns_out, self.stuck]

    def pick(self, n):
        return random.randrange(n)

    def step(self):
        action = self.actions[self.pick(len(self.actions))]
        name = action.__name__
        self.counts[name] = self.counts.get(name, 0) + 1
        try:
            action()
        except Crash:
            self.boot()

    def boot(self):
        rig = self.rig
        self.board.crash_in = self.board.fail_in = 0
        for _ in range(3):
            try:
                rig.app = make_app(rig.data, "", rig.sink.write, rig.feed)
                rig.front = rig.app.front
                rig.app.begin()
                return
            except Crash:
                pass

    def scan(self):
        if self.rig.app.scan_once():
            self.good += 1
        else:
            vtime.advance(51000)
            world = self.rig.world
            world.line_uv(0)
            if world.even != -1 or world.odd != -1 or world.zero:
                self.late += 1

    def poll(self):
        self.rig.app.poll()
        vtime.sleep_ms(self.pick(300))

    def command(self):
        code = (wire.START, wire.STOP, wire.IDENTIFY, wire.SET_TIME, 94)[self.pick(5)]
        payload = struct.pack("<HHHH", self.pick(2000), self.pick(9000), self.pick(65536), 0)
        self.rig.command(code, self.pick(65536), payload[: 4 + 4 * self.pick(2)])

    def garbage(self):
        data = bytes(self.pick(256) for _ in range(self.pick(40)))
        self.rig.app.receive(data, len(data))

    def part_fails(self):
        self.board.fail_in = 1 + self.pick(60)
        self.scan()

    def part_goes(self):
        self.board.silent.add((32, 72, 73, 74)[self.pick(4)])

    def part_comes(self):
        self.board.silent.clear()

    def rest(self):
        self.rig.front.rest()
        if self.board.powered or self.rig.world.even != -1 or self.rig.world.odd != -1:
            self.late += 1

    def part_hangs(self):
        self.board.hung.add((32, 72, 73, 74)[self.pick(4)])

    def line_hangs(self):
        self.board.hung_low = True

    def bus_low(self):
        self.board.bus_low = True

    def hang(self):
        try:
            self.rig.front.mux.close_group(1 + self.pick(self.rig.front.groups))
        except OSError:
            self.counts["hang failed"] = self.counts.get("hang failed", 0) + 1
        vtime.sleep_ms(self.pick(200))

    def crash(self):
        self.board.crash_in = 1 + self.pick(80)
        self.scan()

    def expander_browns_out(self):
        self.board.parts[32].__init__(self.rig.world)

    def stuck(self):
        faults = [{"kind": ("stuck_relay", "lead_open")[self.pick(2)], "tap": self.pick(self.rig.front.groups + 1)}]
        self.rig.break_it(faults)

    def well(self):
        self.rig.break_it(())
        self.board.silent.clear()
        self.board.bus_low = False
        vtime.sleep_ms(5000)
        self.rig.app.poll()


def main(steps, seed, groups):
    walk = Walk(seed, groups)
    for _ in range(steps):
        walk.step()
    world = walk.rig.world
    print(len(world.crimes), walk.late, world.closings, walk.good, min(walk.counts.values()), world.crimes[:3])

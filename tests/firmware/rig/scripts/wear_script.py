# Runs on MicroPython: what a recording does to flash, on the real littlefs. Arguments: sectors, scans, groups, kB of a
# segment.
# Prints bytes recorded (fill not counted), bytes programmed, erases, then most erases and most bytes programmed in one
# service that only appends, and in one that opens a segment; then bytes of fill, flash that the files take, and others.

import os
import sys

from evenboard.flash.delta import DeltaEncoder
from evenboard.flash.recorder import Recorder
from evenboard.flash.store import Store
from evenstring_protocol import wire
from recorder_rig import SECTOR, Clock, Flash, Noise, mounted, small

SECTORS = int(sys.argv[1])
SCANS = int(sys.argv[2])
GROUPS = int(sys.argv[3])
SEGMENT = int(sys.argv[4]) * 1024

flash = Flash(SECTORS)
mounted(flash, True)
store = Store("/f/rec", (SECTORS - 24) * SECTOR, SEGMENT)
assert store.open()
clock = Clock()
recorder = Recorder(store, DeltaEncoder(GROUPS, 1, 0, 0, 1), clock, *small(clock))
recorder.set_mode(wire.RECORD_MODE_ON)
noise = Noise(99)
readings = [0] * GROUPS
now = (2500,)
recorded = fill = taken = 0
worst = [0, 0]  # erases, bytes, in a service that only appends
worst_rotation = [0, 0]
start = flash.programmed
erased_before = flash.erased
for _ in range(SCANS):
    clock.go(200)
    for g in range(GROUPS):
        # Twelve uniform numbers make a Gaussian one, here of 5 steps: 1 mV.
        n = noise.next()
        m = noise.next()
        total = 0
        for k in range(6):
            total += ((n >> (5 * k)) & 31) + ((m >> (5 * k)) & 31)
        readings[g] = 19000 + 20 * g + (total - 186) * 5 // 32
    recorder.add(clock.low, clock.high, readings, now)
    erased, programmed, turns = flash.erased, flash.programmed, recorder.rotations
    if recorder.service():
        most = worst if turns == recorder.rotations else worst_rotation
        most[0] = max(most[0], flash.erased - erased)
        most[1] = max(most[1], flash.programmed - programmed)
recorder.flush()
for name in os.listdir("/f/rec"):
    with open("/f/rec/" + name, "rb") as f:
        data = f.read()
    useful = sum(len(piece) + 1 for piece in data.split(b"\x00") if piece)
    recorded += useful
    fill += len(data) - useful
    taken += (len(data) + SECTOR - 1) // SECTOR * SECTOR
programmed = flash.programmed - start
print(recorded, programmed, flash.erased - erased_before, worst[0], worst[1], worst_rotation[0], worst_rotation[1])
print(fill, taken, recorder.blocks, recorder.rotations, max(flash.wear), store.deleted)

# Runs on MicroPython: what a recording does to flash, on the real littlefs. Arguments: sectors, scans, groups.
# Prints bytes recorded, bytes programmed, erases, then most erases and most bytes programmed in one service that only
# appends, and in one that opens a segment.

import os
import sys

from evenboard.delta import DeltaEncoder
from evenboard.recorder import Recorder
from evenboard.store import Store
from evenstring_protocol import wire
from recorder_rig import SECTOR, Clock, Flash, Noise, head, mounted

SECTORS = int(sys.argv[1])
SCANS = int(sys.argv[2])
GROUPS = int(sys.argv[3])

flash = Flash(SECTORS)
mounted(flash, True)
store = Store("/f/rec", (SECTORS - 24) * SECTOR, 32768)
assert store.open()
clock = Clock()
recorder = Recorder(store, DeltaEncoder(GROUPS, 1, 0, 0, 1), clock, head)
recorder.set_mode(wire.RECORD_MODE_ON)
noise = Noise(99)
readings = [0] * GROUPS
now = (2500,)
written = 0
worst = [0, 0]  # erases, bytes, in a service that only appends
worst_rotation = [0, 0]
start = flash.programmed
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
    written += os.stat("/f/rec/" + name)[6]
print(written, flash.programmed - start, flash.erased, worst[0], worst[1], worst_rotation[0], worst_rotation[1])
print(recorder.blocks, recorder.rotations, max(flash.wear), store.deleted)

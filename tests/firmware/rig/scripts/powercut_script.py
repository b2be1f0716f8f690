# Runs on MicroPython. One recording of 2,000 scans is made and every program and erase of the flash is logged; then the
# power is cut at each of them in turn: whole, torn (half of a page programmed, half of a sector erased) or with a
# garbled half. After every cut the file system must mount, every committed block must be there unchanged, and the
# recorder must go on. Arguments: sectors; "sound", or "forgetful" for a store that never flushes (must be found out).
# a MicroPython script, not a module of the tests

import os
import sys

import vfs
from evenboard.flash.delta import DeltaEncoder
from evenboard.flash.recorder import Recorder
from evenboard.flash.store import Store
from evenstring_protocol import wire
from recorder_rig import SECTOR, Clock, Flash, Noise, mounted, small

SECTORS = int(sys.argv[1])
FORGETFUL = sys.argv[2] == "forgetful"
GROUPS = 40
SCANS = 2000
ROOM = (SECTORS - 10) * SECTOR
SEGMENT = 3 * SECTOR

content = {}  # number -> bytes committed so far, in the end all
commits = []  # (operations so far, number, bytes then)
removals = {}  # number -> operations when its deletion began


class Watched(Store):
    def append(self, buf, n, flush=True):
        if FORGETFUL:
            done = self._file.write(buf, n) == n
            self.size += n
        else:
            done = Store.append(self, buf, n, flush)
        if done:
            content.setdefault(self.number, bytearray()).extend(memoryview(buf)[:n])
            if flush:
                commits.append((len(flash.log), self.number, len(content[self.number])))
        return done

    def _delete_one(self):
        before = {e[0] for e in self._entries()}
        at = len(flash.log)
        done = Store._delete_one(self)
        for number in before - {e[0] for e in self._entries()}:
            removals[number] = at
        return done


def record():
    store = Watched("/f/rec", ROOM, SEGMENT)
    assert store.open()
    clock = Clock()
    recorder = Recorder(store, DeltaEncoder(GROUPS, 1, 0, 0, 0, 200), clock, *small(clock))
    recorder.set_mode(wire.RECORD_MODE_ON)
    noise = Noise(12345)
    readings = [0] * GROUPS
    event = [1, 0, 7, -300, -300]
    for scan in range(SCANS):
        clock.go(200)
        for g in range(GROUPS):
            readings[g] = (noise.next() & 0xFFFF) - 32768
        recorder.add(clock.low, clock.high, readings, ())
        if scan % 450 == 449:
            recorder.alarm(event, 2, 2)
        recorder.service()
    assert recorder.blocks_lost == 0 and recorder.scans_lost == 0, (recorder.blocks_lost, recorder.scans_lost)
    return recorder


def files():
    found = {}
    for name in os.listdir("/f/rec"):
        with open("/f/rec/" + name, "rb") as f:
            number = int(name[:8])
            assert number not in found, "two files of one segment"
            found[number] = f.read()
    return found


# What a cut after `cut` operations must leave.
def check(cut, lengths):
    found = files()
    for number, size in lengths.items():
        if number not in found:
            assert number in removals and removals[number] <= cut, "segment %d lost" % number
            continue
        assert len(found[number]) >= size, "segment %d shortened" % number
    for number, data in found.items():
        assert data == content.get(number, b"")[: len(data)], "segment %d altered" % number


def cut_at(base, op, variant):
    copy = Flash(SECTORS)
    copy.data[:] = base
    sector, off, data = op
    if data is None:
        if variant:
            copy.erase(sector, SECTOR // 2)
        if variant == 2:
            copy.program(sector, 1000, b"\xa5" * 700, 700)
    else:
        if variant:
            copy.program(sector, off, data, len(data) // 2)
        if variant == 2:
            copy.program(sector, off + len(data) // 2, b"\x5a" * (len(data) // 4), len(data) // 4)
    return copy


def go_on():
    store = Store("/f/rec", ROOM, SEGMENT)
    assert store.open() and not store.is_new
    assert store.begin() and store.append(b"\x07" * 4096, 4096)
    number = store.number
    store.end()
    assert store.listing(number, 1)[0][1] == 4096


flash = Flash(SECTORS)
mounted(flash, True)
os.mkdir("/f/rec")
base = bytearray(flash.data)
flash.log = []
recorder = record()
vfs.umount("/f")
log = flash.log
blocks = recorder.blocks

lengths = {}
at = 0
tried = 0
for cut in range(len(log)):
    while at < len(commits) and commits[at][0] <= cut:
        lengths[commits[at][1]] = commits[at][2]
        at += 1
    for number in list(lengths):
        if number in removals and removals[number] < cut - 200:
            del lengths[number]
    for variant in range(3):
        copy = cut_at(base, log[cut], variant)
        mounted(copy, False)
        try:
            check(cut, lengths)
            go_on()
        except Exception as error:
            raise AssertionError("cut %d variant %d: %s" % (cut, variant, error))
        finally:
            vfs.umount("/f")
        tried += 1
    sector, off, data = log[cut]
    # Onwards: the same operation, whole.
    memory = memoryview(base)[sector * SECTOR + off :]
    if data is None:
        memory[:SECTOR] = b"\xff" * SECTOR
    else:
        memory[: len(data)] = data
written = sum(len(c) for c in content.values())
print(tried, len(log), blocks, written, flash.programmed, flash.erased, len(removals))

# Runs on MicroPython. One recording of 2,000 scans is made and every program and erase of the flash is logged; then the
# power is cut at each of them in turn: whole, torn (half of a page programmed, half of a sector erased) or with a
# garbled half. After every cut the file system must mount, every committed block must be there unchanged, latch and
# boot count must be the last or the one being written, the next start must count on, and the recorder must go on. The
# board starts anew now and then on the way. Arguments: sectors; scans from one start to the next; "sound", or what must
# be found out: "forgetful", a store that never flushes, or "late_latch", one that reaches flash only with the next; how
# many operations lie between cuts.
# a MicroPython script, not a module of the tests

import os
import sys

import vfs
from boot_ledger import Ledger
from evenboard.flash.delta import DeltaEncoder
from evenboard.flash.recorder import Recorder
from evenboard.flash.store import Store
from evenboard.start import build_memory
from evenstring_protocol import wire
from recorder_rig import SECTOR, Clock, Flash, Noise, mounted, small

SECTORS = int(sys.argv[1])
FORGETFUL = sys.argv[3] == "forgetful"
GROUPS = 40
SCANS = 2000
LIFE = int(sys.argv[2])
EVERY = int(sys.argv[4])
ROOM_KB = (SECTORS - 10) * SECTOR // 1024
SEGMENT_KB = 3 * SECTOR // 1024

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


build_memory.Store = Watched


class LateSlot(build_memory.FileSlot):
    waits = None

    def read(self, buf):
        if self.waits is None:
            return super().read(buf)
        buf[:] = self.waits
        return True

    def write(self, buf):
        if self.waits is not None:
            super().write(self.waits)
        self.waits = bytes(buf)
        return True


if sys.argv[3] == "late_latch":
    build_memory.FileSlot = LateSlot


def record():
    clock = Clock()
    noise = Noise(12345)
    blocks = 0
    for first in range(0, SCANS, LIFE):
        boots, memory = ledger.boot(ROOM_KB, SEGMENT_KB)
        recorder = Recorder(memory.store, DeltaEncoder(GROUPS, 1, 0, 0, 0, 200), clock, *small(clock))
        recorder.set_mode(wire.RECORD_MODE_ON)
        for scan in range(first, first + LIFE):
            one_scan(clock, recorder, noise)
            if scan % 200 == 199:
                recorder.alarm([1, 0, 7, -300, -300], 2, 2)
                ledger.latched(memory.latch, scan)
            recorder.service()
            boots.running(clock.low, clock.high)
        assert recorder.blocks_lost == 0 and recorder.scans_lost == 0, (recorder.blocks_lost, recorder.scans_lost)
        blocks += recorder.blocks
        memory.store.end()
    return blocks


def one_scan(clock, recorder, noise):
    clock.go(200)
    recorder.add(clock.low, clock.high, [(noise.next() & 0xFFFF) - 32768 for _ in range(GROUPS)], ())


def files():
    found = {}
    for name in os.listdir("/f/rec"):
        if name.startswith("latch"):
            continue
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


def go_on(cut):
    store = ledger.check(cut, ROOM_KB, SEGMENT_KB).store
    assert not store.is_new
    assert store.begin() and store.append(b"\x07" * 4096, 4096)
    number = store.number
    store.end()
    assert store.listing(number, 1)[0][1] == 4096


flash = Flash(SECTORS)
mounted(flash, True)
os.mkdir("/f/rec")
base = bytearray(flash.data)
flash.log = []
ledger = Ledger(lambda: len(flash.log))
blocks = record()
vfs.umount("/f")
log = flash.log
build_memory.Store = Store

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
    for variant in range(0 if cut % EVERY else 3):
        copy = cut_at(base, log[cut], variant)
        mounted(copy, False)
        try:
            check(cut, lengths)
            go_on(cut)
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
print(tried, len(log), blocks, written, flash.programmed, flash.erased, len(removals), ledger.saves)

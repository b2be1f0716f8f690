# Runs on MicroPython: a NOR flash in RAM that logs every program and erase, and a recorder on littlefs on top of it.
# a MicroPython script, not a module of the tests

import vfs
from evenboard.line.link import Link
from evenstring_protocol import wire

SECTOR = 4096


class Flash:
    def __init__(self, sectors):
        self.sectors = sectors
        self.data = bytearray(b"\xff" * (sectors * SECTOR))
        self.log = None  # list of (sector, offset, bytes or None for an erase)
        self.programmed = 0
        self.erased = 0
        self.broken = False
        self.wear = [0] * sectors

    def readblocks(self, block, buf, off=0):
        at = block * SECTOR + off
        buf[:] = memoryview(self.data)[at : at + len(buf)]

    def writeblocks(self, block, buf, off=None):
        if off is None:
            self.ioctl(6, block)
            off = 0
        if self.log is not None:
            self.log.append((block, off, bytes(buf)))
        self.programmed += len(buf)
        self.program(block, off, buf, len(buf))

    def program(self, block, off, buf, n):
        at = block * SECTOR + off
        memoryview(self.data)[at : at + n] = memoryview(buf)[:n]

    def erase(self, block, n=SECTOR):
        at = block * SECTOR
        memoryview(self.data)[at : at + n] = b"\xff" * n

    def ioctl(self, op, arg):
        if op == 4:
            return self.sectors
        if op == 5:
            return SECTOR
        if op == 6:
            if self.broken:
                return -5
            if self.log is not None:
                self.log.append((arg, 0, None))
            self.erased += 1
            self.wear[arg] += 1
            self.erase(arg)
            return 0
        return 0


class Noise:
    def __init__(self, seed):
        self.state = seed

    def next(self):
        s = self.state
        s ^= (s << 13) & 0xFFFFFFFF
        s ^= s >> 17
        s ^= (s << 5) & 0xFFFFFFFF
        self.state = s
        return s


class Clock:
    def __init__(self):
        self.low = 0
        self.high = 0
        self.wall = [0, 0, 0, 0]
        self.wall_set = False

    def service(self):
        pass

    def since(self, low, high):
        return ((self.high - high) << 16) + self.low - low

    def go(self, ms):
        total = self.low + ms
        self.low = total & 0xFFFF
        self.high = (self.high + (total >> 16)) & 0xFFFF


# A link for its buffers, and the head of a segment: a smallest IDENT, schema 1, no texts.
def small(clock):
    link = Link(None, clock)

    def head():
        for i in range(32):
            link.body[i] = 0
        link.body[0] = wire.IDENT
        link.body[7] = 1
        return 32

    return link, (head,)


def mounted(flash, make):
    if make:
        vfs.VfsLfs2.mkfs(flash, progsize=256)
    fs = vfs.VfsLfs2(flash, progsize=256)
    vfs.mount(fs, "/f")
    return fs

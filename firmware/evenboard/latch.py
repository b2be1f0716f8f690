# What must outlive everything: past alarms, boot count, calibration. Two generations, each with a CRC, written in turn.
#
# A slot is anything with `read(buf)` and `write(buf)` of SIZE bytes: raw flash sectors outside the file system where
# the board has some, else files. A stock RP2040 gives the file system all the flash that a program may write, and makes
# a new one when it cannot mount; that touches only its first two sectors. So the files are kept in sectors of their
# own, and `scavenge` finds the newest copy in the raw flash before anything new is written.

from struct import pack_into, unpack_from

from evenstring_protocol import framing

SIZE = 1024  # too long to be kept inside a directory entry
_MAGIC = b"EVLATCH1"
_FIXED = "<8sHHHHH8s"  # magic, generation low high, boots low high, latched, visited groups
_FIXED_SIZE = 26
_FREE = SIZE - _FIXED_SIZE - 6  # bytes for calibration


class Latch:
    def __init__(self, slots):
        self._slots = slots
        self._buf = bytearray(SIZE)
        self._at = 0  # slot to write next
        self.generation = 0
        self.boots = 0
        self.latched = 0
        self.visited = bytes(8)
        self.calibration = b""
        self.found = False

    # The newest good copy of all slots. False: there is none.
    def load(self):
        best = -1
        for k in range(len(self._slots)):
            if self._slots[k].read(self._buf) and good(self._buf):
                generation = _generation(self._buf)
                if generation > best:
                    best = generation
                    self._take(self._buf)
                    self._at = (k + 1) % len(self._slots)
        return best >= 0

    # Writes the older slot: the newer one stays whole whatever happens. False: it could not be written and read back.
    def save(self):
        buf = self._buf
        self.generation += 1
        self._fill()
        done = False
        for _ in range(len(self._slots)):
            slot = self._slots[self._at]
            self._at = (self._at + 1) % len(self._slots)
            if slot.write(buf):
                done = slot.read(buf) and good(buf) and _generation(buf) == self.generation
                if done:
                    break
                self._fill()
        return done

    def _fill(self):
        buf = self._buf
        for i in range(SIZE):
            buf[i] = 0
        g = self.generation
        b = self.boots
        pack_into(_FIXED, buf, 0, _MAGIC, g & 0xFFFF, g >> 16, b & 0xFFFF, b >> 16, self.latched, bytes(self.visited))
        data = self.calibration[:_FREE]
        pack_into("<H", buf, _FIXED_SIZE, len(data))
        buf[_FIXED_SIZE + 2 : _FIXED_SIZE + 2 + len(data)] = data
        framing.put_crc(buf, SIZE - 4)

    def _take(self, buf):
        _, g0, g1, b0, b1, self.latched, self.visited = unpack_from(_FIXED, buf, 0)
        self.generation = g0 | g1 << 16
        self.boots = b0 | b1 << 16
        n = unpack_from("<H", buf, _FIXED_SIZE)[0]
        self.calibration = bytes(buf[_FIXED_SIZE + 2 : _FIXED_SIZE + 2 + min(n, _FREE)])
        self.found = True

    # The newest copy in raw flash, read through a block device of 4 kB blocks. False: there is none.
    def scavenge(self, device):
        best = -1
        buf = bytearray(4096)
        view = memoryview(buf)[:SIZE]
        for block in range(device.ioctl(4, 0)):
            device.readblocks(block, buf)
            if buf[0] == _MAGIC[0] and buf[1] == _MAGIC[1] and good(view) and _generation(view) > best:
                best = _generation(view)
                self._take(view)
        return best >= 0


def good(buf):
    for i in range(len(_MAGIC)):
        if buf[i] != _MAGIC[i]:
            return False
    return framing.crc_ok(buf, SIZE)


def _generation(buf):
    low, high = unpack_from("<HH", buf, 8)
    return low | high << 16


class FileSlot:
    def __init__(self, path):
        self._path = path

    def read(self, buf):
        try:
            with open(self._path, "rb") as f:
                return f.readinto(buf) == SIZE
        except OSError:
            return False

    def write(self, buf):
        try:
            with open(self._path, "wb") as f:
                f.write(buf)
            return True
        except OSError:
            return False


# One sector of a block device outside the file system.
class BlockSlot:
    def __init__(self, device, block):
        self._device = device
        self._block = block
        self._sector = bytearray(4096)

    def read(self, buf):
        try:
            self._device.readblocks(self._block, self._sector)
        except OSError:
            return False
        buf[:] = self._sector[:SIZE]
        return True

    def write(self, buf):
        self._sector[:SIZE] = buf
        try:
            self._device.writeblocks(self._block, self._sector)  # erases, then programs
        except OSError:
            return False
        return True

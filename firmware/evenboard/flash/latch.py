# What must outlive everything: past alarms, boot count, calibration. Generations, each with a CRC, written in turn.
#
# A slot is anything with `read(buf)` and `write(buf)` of SIZE bytes. A home is a tuple of slots, written in turn; every
# home gets each generation, so that losing one loses nothing. The first home is two files. A file system that is made
# anew forgets them, so boards that have a place outside it keep a second home there (`places`): an ESP32 does. A stock
# RP2040 gives the file system all the flash that a program may write: there the files alone must do, kept in sectors of
# their own, and `deploy` looks for them in the raw flash before it writes anything new.

from struct import pack_into, unpack_from

from evenstring_protocol import framing

SIZE = 1024  # too long to be kept inside a directory entry
_MAGIC = b"EVLATCH1"
_FIXED = "<8sHHHHH8s"  # magic, generation low high, boots low high, latched, visited groups
_FIXED_SIZE = 26
_FREE = SIZE - _FIXED_SIZE - 6  # bytes for calibration


class Latch:
    def __init__(self, *homes):
        self._homes = homes
        self._buf = bytearray(SIZE)
        self._at = [0] * len(homes)  # slot to write next, in each home
        self.generation = 0
        self.boots = 0
        self.latched = 0
        self.visited = bytes(8)
        self.calibration = b""
        self.found = False

    # The newest good copy of all slots. False: there is none.
    def load(self):
        best = -1
        for h in range(len(self._homes)):
            newest = -1
            slots = self._homes[h]
            for k in range(len(slots)):
                if not slots[k].read(self._buf) or not good(self._buf):
                    continue
                generation = _generation(self._buf)
                if generation > newest:
                    newest = generation
                    self._at[h] = (k + 1) % len(slots)
                if generation > best:
                    best = generation
                    self._take(self._buf)
        return best >= 0

    # Writes the older slot of each home: the newer one stays whole whatever happens. False: no home has it.
    def save(self):
        self.generation += 1
        done = 0
        for h in range(len(self._homes)):
            if self._save_in(h):
                done += 1
        return done > 0

    def _save_in(self, h):
        buf = self._buf
        slots = self._homes[h]
        for _ in range(len(slots)):
            slot = slots[self._at[h]]
            self._at[h] = (self._at[h] + 1) % len(slots)
            self._fill()
            if slot.write(buf) and slot.read(buf) and good(buf) and _generation(buf) == self.generation:
                return True
        return False

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

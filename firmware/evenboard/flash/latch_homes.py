# Places for the latch outside the file system, where a board has one: the key-value store of an ESP32 (it keeps its own
# CRCs and survives a power cut by itself), or two sectors of a data partition that nothing else uses.

from evenboard.flash.latch import SIZE
from micropython import const

_SECTOR = const(4096)
_KEY = "latch"


# A home of slots for `latch.Latch`. copy: "nvs", or the label of a data partition. OSError: there is no such place.
def home(copy):
    try:
        import esp32  # noqa: PLC0415 -- only there
    except ImportError:
        raise OSError(19) from None
    if copy == "nvs":
        return (StoreSlot(esp32.NVS("evenboard")),)
    found = esp32.Partition.find(esp32.Partition.TYPE_DATA, label=copy)
    if not found or found[0].ioctl(4, 0) < 2:
        raise OSError(19)
    sector = bytearray(_SECTOR)
    return BlockSlot(found[0], 0, sector), BlockSlot(found[0], 1, sector)


# One value of the key-value store.
class StoreSlot:
    def __init__(self, store):
        self._store = store

    def read(self, buf):
        try:
            return self._store.get_blob(_KEY, buf) == SIZE
        except OSError:
            return False

    def write(self, buf):
        try:
            self._store.set_blob(_KEY, buf)
            self._store.commit()
        except OSError:
            return False
        return True


# One sector of a block device. `sector` is a buffer of a sector's size, shared by slots.
class BlockSlot:
    def __init__(self, device, block, sector):
        self._device = device
        self._block = block
        self._sector = sector

    def read(self, buf):
        try:
            self._device.readblocks(self._block, self._sector)
        except OSError:
            return False
        for i in range(SIZE):
            buf[i] = self._sector[i]
        return True

    def write(self, buf):
        for i in range(SIZE):
            self._sector[i] = buf[i]
        try:
            self._device.writeblocks(self._block, self._sector)  # erases, then programs
        except OSError:
            return False
        return True

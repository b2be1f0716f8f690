# The board's flash as the recorder sees it: segments in a folder, the latch beside them. Imported only where fitted.

import gc

from evenboard.flash.delta import DeltaEncoder
from evenboard.flash.latch import FileSlot, Latch
from evenboard.flash.recorder import Recorder
from evenboard.flash.store import Store, missing, room
from evenstring_protocol import wire


class Memory:
    # where: "recorder" of the board description: folder, and perhaps room_kb, segment_kb. Counts the boot, which the
    # main copy of the count calls number `boot_count`.
    def __init__(self, where, boot_count=0):
        folder = where["folder"]
        known = not missing(folder)
        space = where.get("room_kb", 0) * 1024 or room(folder)
        self.store = Store(folder, space, where.get("segment_kb", 32) * 1024)
        self.store.open()
        self.flags = 0
        homes = [(FileSlot(folder + "/latch0.bin"), FileSlot(folder + "/latch1.bin"))]
        if where.get("copy"):
            homes += self._second(where["copy"])
        self.latch = Latch(*homes)
        self.latch.load()
        # `deploy` leaves the mark when it finds the latch of a file system that is no more.
        if (self.latch.found and not known) or not missing(folder + "/lost.mrk"):
            self.flags |= wire.MEMORY_LOST
        if known and not self.latch.found:
            self.flags |= wire.MEMORY_LATCH_LOST
        self.latch.boots = max(self.latch.boots + 1, boot_count)
        self.latch.save()

    # The latch's home outside the file system.
    def _second(self, copy):
        from evenboard.flash import latch_homes  # noqa: PLC0415 -- RAM only where fitted

        try:
            return [latch_homes.home(copy)]
        except OSError:
            self.flags |= wire.MEMORY_COPY_MISSING
            return []

    def make_recorder(self, app):
        front = app.front
        sensors = front.sensors
        gc.collect()  # two blocks of 4 kB, each in one piece
        encoder = DeltaEncoder(
            front.groups, front.passes, 1 if front.currents else 0, 1 if sensors.packs else 0, sensors.temps
        )
        heads = (app.fill_ident, app.calibration.fill) if app.calibration else (app.fill_ident,)
        recorder = Recorder(self.store, encoder, app.clock, app.link, heads)
        recorder.memory = self.flags
        # Their module is in memory only while a host works with the recording.
        for code in (wire.RECORD, wire.LIST_SEGMENTS, wire.READ_SEGMENT, wire.CHECK_SEGMENT, wire.ERASE_SEGMENT):
            app.handlers[code] = "flash.segments"
        return recorder

# Runs on MicroPython: starts of a board and saves of its latch, each with the flash operations between which it was
# written, so that after a cut at any operation it is known what must stand there: the last that was whole, or the one
# that was being written. The board's own files do the work: `Boots`, `Memory`, `Latch`.

import json

from evenboard.flash.boots import Boots
from evenboard.flash.latch import FileSlot, Latch
from evenboard.start.build_memory import Memory

BOOTS = "/f/boots.json"
FOLDER = "/f/rec"


# One start, as begin.py makes it: the count in its file, then memory and latch.
def start(room_kb, segment_kb):
    boots = Boots(BOOTS)
    memory = Memory({"folder": FOLDER, "room_kb": room_kb, "segment_kb": segment_kb}, boots.count)
    boots.agree(memory.latch.boots)
    return boots, memory


def kept_latch():
    latch = Latch((FileSlot(FOLDER + "/latch0.bin"), FileSlot(FOLDER + "/latch1.bin")))
    return (latch.generation, latch.boots, latch.latched) if latch.load() else None


def kept_count():
    try:
        with open(BOOTS) as f:
            return json.load(f)["count"]
    except (OSError, ValueError):
        return None


class Ledger:
    # operations: function that gives how many there were so far.
    def __init__(self, operations):
        self._operations = operations
        self._counts = [(0, 0, None)]  # from, to, what stands there then
        self._latches = [(0, 0, None)]

    def boot(self, room_kb, segment_kb):
        began = self._operations()
        boots, memory = start(room_kb, segment_kb)
        self._counts.append((began, self._operations(), boots.count))
        self._note(began, memory.latch)
        return boots, memory

    def latched(self, latch, bits):
        began = self._operations()
        latch.latched = bits
        assert latch.save()
        self._note(began, latch)

    def _note(self, began, latch):
        self._latches.append((began, self._operations(), (latch.generation, latch.boots, latch.latched)))

    @property
    def saves(self):
        return len(self._latches) - 1

    # What a cut after `cut` operations must leave, and what the start after it makes of that; gives its memory.
    def check(self, cut, room_kb, segment_kb):
        assert kept_latch() in _may_stand(self._latches, cut), "latch lost or altered"
        before = _may_stand(self._counts, cut)
        assert kept_count() in before, "boot count lost or altered"
        boots, memory = start(room_kb, segment_kb)
        last = before[0] or 0
        assert last < boots.count <= last + 2 and memory.latch.boots == boots.count, "boots counted wrongly"
        assert before[0] is None or not memory.flags, "a start said that memory was lost"
        return memory


# The last that was whole before the cut, and what was begun after it.
def _may_stand(entries, cut):
    whole = 0
    for k in range(len(entries)):
        if entries[k][1] <= cut:
            whole = k
    return [e[2] for e in entries[whole:] if e[0] <= cut]

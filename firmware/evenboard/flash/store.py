# Segments of a recording as files in one folder: only ever appended to, the oldest deleted when room is short.
#
# NUMBER.seg is an ordinary segment, NUMBER.alm holds an alarm and is deleted last, as long as such segments take no
# more than their share of the room: they can never stop the recording. NUMBER rises over the life of the board. Every
# append ends with a flush, so that what returned True survives a power cut whole, unless the caller says that the next
# one follows at once.
#
# littlefs gives flash out in pieces. An append that begins in the midst of a piece copies what stands in it: `left`
# says where pieces end, so that the recorder can end its blocks there.
#
# `append` allocates nothing. `begin`, `keep` and `end` open, rename and delete files, which does: they are called in
# the recorder's unlocked slot only. OSError and MemoryError never leave this file; they come back as False.

import os
import sys

from micropython import const

_MICROPYTHON = sys.implementation.name == "micropython"
_PLAIN = ".seg"
_ALARM = ".alm"
_BLOCK = const(4096)  # flash is given out in such pieces


class Store:
    # room: bytes for all segments; segment: bytes after which a new one begins.
    def __init__(self, folder, room, segment=32768, keep_percent=25):
        self._folder = folder
        self.room = room
        self.segment = _whole(segment)
        self._keep_limit = room * keep_percent // 100
        self._file = None
        self.number = 0  # of the open segment
        self.size = 0  # bytes committed to it
        self.alarm = False  # the open segment holds an alarm
        self.deleted = 0
        self.failed = 0
        self.written = 0  # bytes appended since boot, modulo 2^30
        self.closed = 0  # bytes in segments closed since boot, and of flash that they take
        self.taken = 0
        self.used = 0  # bytes of all closed segments, whole flash blocks
        self.kept_bytes = 0
        self.segments = 0
        self.kept = 0
        self.next = 1
        self.is_new = False  # the folder did not exist

    # At boot: what is there. False: the folder can be neither read nor made.
    def open(self, next_number=1):
        self.next = next_number
        if missing(self._folder):
            self.is_new = True
            try:
                os.mkdir(self._folder)
            except OSError:
                return False
        try:
            self._count()
        except OSError:
            return False
        return True

    def _count(self):
        self.used = self.kept_bytes = self.segments = self.kept = 0
        for number, size, alarm in self._entries():
            self.segments += 1
            self.used += _whole(size)
            if alarm:
                self.kept += 1
                self.kept_bytes += _whole(size)
            if number >= self.next:
                self.next = number + 1

    # (number, bytes, holds an alarm) of each segment file, in no order.
    def _entries(self):
        found = []
        for name in os.listdir(self._folder):
            if len(name) == 12 and name[8:] in (_PLAIN, _ALARM):
                try:
                    found.append((int(name[:8]), os.stat(self._folder + "/" + name)[6], name[8:] == _ALARM))
                except (OSError, ValueError):
                    continue
        return found

    def _path(self, number, alarm):
        return "%s/%08d%s" % (self._folder, number, _ALARM if alarm else _PLAIN)

    @property
    def is_open(self):
        return self._file is not None

    # Whether `n` more bytes belong into a new segment.
    def is_full(self, n):
        return self._file is None or self.size + n > self.segment

    # Closes the open segment, makes room and opens the next one.
    def begin(self):
        self.end()
        try:
            self._make_room(self.segment)
            self.number = self.next
            self.next += 1
            self.alarm = False
            self.size = 0
            self._file = open(self._path(self.number, False), "wb")
        except (OSError, MemoryError):
            self._file = None
            self.failed += 1
            return False
        self.segments += 1
        return True

    # Oldest first; alarms only when they exceed their share or nothing else is left.
    def _make_room(self, n):
        while self.used + n > self.room:
            if not self._delete_one():
                return

    def _delete_one(self):
        entries = sorted(self._entries())
        over = self.kept_bytes > self._keep_limit
        victims = [e for e in entries if e[2] == over and not self._is_current(e[0])]
        if not victims:
            victims = [e for e in entries if not self._is_current(e[0])]
        if not victims:
            return False
        number, size, alarm = victims[0]
        os.remove(self._path(number, alarm))
        self.deleted += 1
        self._forget(size, alarm)
        return True

    def _is_current(self, number):
        return self._file is not None and number == self.number

    def _forget(self, size, alarm):
        self.segments -= 1
        self.used -= _whole(size)
        if alarm:
            self.kept -= 1
            self.kept_bytes -= _whole(size)

    # Adds buf[:n] and flushes. False: nothing of it counts, and the segment is given up.
    def append(self, buf, n, flush=True):
        file = self._file
        if file is None:
            return False
        try:
            done = file.write(buf, n) if _MICROPYTHON else file.write(memoryview(buf)[:n])
            if flush:
                file.flush()
        except (OSError, MemoryError):
            self.failed += 1
            return False
        if done != n:
            self.failed += 1
            return False
        self.size += n
        self.written = (self.written + n) & 0x3FFFFFFF
        return True

    # After a failed append, in the unlocked slot: give the segment up, free one, and let a new one begin.
    def recover(self):
        self.end()
        try:
            self._delete_one()
            self._count()
        except (OSError, MemoryError):
            self.failed += 1

    # The open segment holds an alarm: from now on it is kept.
    def keep(self):
        if self._file is None or self.alarm:
            return self.alarm
        try:
            self._file.close()
            os.rename(self._path(self.number, False), self._path(self.number, True))
            self.alarm = True
            self._file = open(self._path(self.number, True), "ab")
        except (OSError, MemoryError):
            self._file = None
            self.recover()
            return False
        return True

    def end(self):
        if self._file is None:
            return
        try:
            self._file.close()
        except (OSError, MemoryError):
            self.failed += 1
        self._file = None
        self.used += _whole(self.size)
        if self.taken < 0x1FFFFFFF:  # later ones would tell nothing new
            self.closed += self.size
            self.taken += _whole(self.size)
        if self.alarm:
            self.kept += 1
            self.kept_bytes += _whole(self.size)
        self.size = 0

    # Segments from `first` on, at most `most`, in order: (number, committed bytes, flags 1 alarm, 2 open).
    def listing(self, first, most):
        found = []
        try:
            for number, size, alarm in sorted(self._entries()):
                if number >= first:
                    open_now = self._is_current(number)
                    found.append(
                        (number, self.size if open_now else size, (1 if alarm else 0) | (2 if open_now else 0))
                    )
        except OSError:
            return []
        return found[:most]

    # (file to read from, committed bytes, holds an alarm) of a segment; None when there is no such segment. Looks into
    # no other file: a full memory has dozens, and listing them takes longer than reading one.
    def opened(self, number):
        current = self._is_current(number)
        for alarm in (False, True):
            try:
                file = open(self._path(number, alarm), "rb")
                return file, self.size if current else file.seek(0, 2), alarm
            except OSError:
                continue
        return None

    # 1: erased; 0: not there; -1: refused, open or of another size.
    def remove(self, number, size):
        found = self.opened(number)
        if found is None:
            return 0
        file, committed, alarm = found
        file.close()
        if self._is_current(number) or committed != size:
            return -1
        try:
            os.remove(self._path(number, alarm))
        except OSError:
            return -1
        self._forget(size, alarm)
        return 1


def missing(folder):
    try:
        os.stat(folder)
    except OSError:
        return True
    return False


# Bytes that segments may take: what is free or theirs already, less a reserve for everything else.
def room(folder, reserve=98304):
    slash = folder.rfind("/")
    stat = os.statvfs(folder[:slash] if slash > 0 else "/")
    used = 0
    if not missing(folder):
        for name in os.listdir(folder):
            used += _whole(os.stat(folder + "/" + name)[6])
    return max(stat[0] * stat[3] + used - reserve, 65536)


# Bytes from the place `at` in a file to the end of the piece of flash that it falls in. Each piece but the first begins
# with pointers to earlier ones: 4 bytes, and 4 more for each time that its number can be halved (littlefs, DESIGN.md,
# "CTZ skip-lists").
def left(at):
    number = 0
    end = _BLOCK
    while end <= at:
        number += 1
        end += _BLOCK - 4
        n = number
        while not n & 1:
            end -= 4
            n >>= 1
    return end - at


def _whole(size):
    return (size + _BLOCK - 1) // _BLOCK * _BLOCK

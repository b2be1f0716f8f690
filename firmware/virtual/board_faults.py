# What goes wrong with the board itself, by time: parts that do not answer, flash, the line, the processor (TRACE.md).
# What is wrong between pack and converter is in `faults`.

import os
import sys

import vtime
from micropython import const

_PIECE = const(4096)
_PAGE = const(256)
_CHUNK_US = const(500000)  # what a USB port of the RP2 kind waits for a reader before it drops what it holds
_WRITERS = ("evenboard.flash.store", "evenboard.base.files")  # modules that open files


class BoardFaults:
    # listed: entries of NAME.faults.json beside the board description.
    def __init__(self, board, description, listed):
        self._board = board
        self._description = description
        self._listed = listed if board else []
        self._hung_s = 0
        if self._comes("slow_flash") or self._comes("full_memory"):
            for name in _WRITERS:
                __import__(name)
                sys.modules[name].open = self._open

    # Whether such a fault comes at any time.
    def _comes(self, kind):
        return any(fault["kind"] == kind for fault in self._listed)

    # The fault of that kind that is there now, or None.
    def _now(self, kind):
        for fault in self._listed:
            if fault["kind"] == kind and _is_there(fault):
                return fault
        return None

    # In each turn of the main loop: True when the processor has hung until its watchdog restarted it.
    def turn(self):
        if not self._listed:
            return False
        board = self._board
        for fault in self._listed:
            if fault["kind"] == "absent_part":
                address = self._description[fault["part"]]["address"]
                (board.silent.add if _is_there(fault) else board.silent.discard)(address)
        board.hung_low = self._now("stuck_bus") is not None
        hang = self._now("hang")
        if not hang or vtime.ms < (self._hung_s + hang["every_s"]) * 1000:
            return False
        vtime.sleep_ms(8000)
        self._hung_s = vtime.ms // 1000
        return True

    # Stands for the line's own: a reader that takes nothing, for a while and again and again. The port waits, then says
    # that all was taken.
    def write(self, plain):
        def write(data, n):
            fault = self._now("stalled_reader")
            if not fault or (vtime.ms // 1000 - fault.get("start_s", 0)) % fault["every_s"] >= fault["for_s"]:
                return plain(data, n)
            vtime.advance(_CHUNK_US)
            return n

        return write if self._comes("stalled_reader") else plain

    def _open(self, path, mode="r"):
        if mode[0] == "r":
            return open(path, mode)
        self.refuse()
        return _SlowFile(open(path, mode), self, os.stat(path)[6] if mode[0] == "a" else 0)

    # Flash that takes nothing more.
    def refuse(self):
        if self._now("full_memory"):
            raise OSError(28)

    # How long so many bytes at that place of a file take.
    def take_time(self, at, n):
        slow = self._now("slow_flash")
        if slow:
            pieces = (at + n - 1) // _PIECE - (at - 1) // _PIECE
            pages = (at + n - 1) // _PAGE - at // _PAGE + 1
            vtime.sleep_ms(pieces * slow["erase_ms"] + pages * slow["page_ms"])


def _is_there(fault):
    now_s = vtime.ms / 1000
    return fault.get("start_s", 0) <= now_s and now_s < (fault.get("end_s") or 1e9)


# A file on such flash: what the firmware calls of one that it writes.
class _SlowFile:
    def __init__(self, file, faults, at):
        self._file = file
        self._faults = faults
        self._at = at
        self.flush = file.flush
        self.close = file.close

    def write(self, data, *most):
        self._faults.refuse()
        done = self._file.write(data, *most)
        self._faults.take_time(self._at, done)
        self._at += done
        return done

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

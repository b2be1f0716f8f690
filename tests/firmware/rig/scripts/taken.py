# Runs on MicroPython, imported before `rig`: the I2C bus of the models, whose every transfer goes onto a tape for
# `tape.py` between `begin` and `end`: address (bit 7 set: a read), number of bytes, the bytes; in pages.

import sys

import vtime

sys.modules["time"] = vtime

import machine  # noqa: E402 -- after the clock was replaced

_PAGE = 512
_tape = None
_left = _PAGE


def begin(path):
    global _tape  # noqa: PLW0603 -- a module stands in for a module
    _tape = open(path, "wb")  # noqa: SIM115 -- until `end`


def end():
    global _tape  # noqa: PLW0603 -- as above
    _tape.write(b"\xff" * _left)
    _tape.close()
    _tape = None


def _keep(address, data):
    global _left  # noqa: PLW0603 -- as above
    if not _tape:
        return
    n = len(data)
    if n + 2 > _left:
        _tape.write(b"\xff" * _left)
        _left = _PAGE
    _tape.write(bytes((address, n)) + bytes(data))
    _left -= n + 2


class _Taken(machine.I2C):
    def writeto(self, address, data):
        n = super().writeto(address, data)
        _keep(address, data)
        return n

    def readfrom_into(self, address, into):
        super().readfrom_into(address, into)
        _keep(address | 0x80, into)


machine.I2C = _Taken

# Commands for who looks after the board: description in and out, self-test, restart. Nothing of this runs in a scan.
#
# A new description arrives in pieces beside the old one, is checked as a whole, and takes its place by renaming. The
# old one stays as `.old`: RESTORE_CONFIG, or a start into safe mode, brings it back, as often as it is asked.

import os
import struct

from evenboard import unload
from evenboard.base import files
from evenstring_protocol import wire
from micropython import const

_PIECE = const(200)
_LARGEST = const(8192)


# Puts the description that was in force before back. False: there is none.
def restore(path):
    old = files.contents(path + ".old")
    return bool(old) and files.put(path, old)


# What is wrong with the description in `path`, or "". What checks it is in memory only meanwhile.
def _wrong(path):
    try:
        from evenboard.base import description  # noqa: PLC0415 -- as said

        return description.load(path)[1]
    except MemoryError:
        return "no memory left to check it: RESTART, then write it at once"
    finally:
        unload("base.description")
        unload("base.limits")


# `path`: of the description. Keeps no function of this file: the module comes when one of the commands does.
def register(app, path):
    app.config = [path, 0]  # and bytes of a new description so far
    for code in (wire.READ_CONFIG, wire.WRITE_CONFIG, wire.RESTORE_CONFIG, wire.SELF_TEST, wire.RESTART):
        app.handlers[code] = "line.config"


# Loaded by the first of these commands and let go when they end: see `Commands`.
def do(app, code, rx, size):
    if code == wire.READ_CONFIG:
        return _read(app, rx, size)
    if code == wire.WRITE_CONFIG:
        return _write(app.config, rx, size)
    if code == wire.RESTORE_CONFIG:
        if restore(app.config[0]):
            return wire.STATUS_OK, "used from the next start on"
        return wire.STATUS_FAILED, "no earlier board description"
    return _self_test(app) if code == wire.SELF_TEST else _restart(app)


def _read(app, rx, size):
    if size < wire.HEADER_SIZE + wire.READ_CONFIG_SIZE:
        return wire.STATUS_BAD_VALUE, "payload too short"
    (offset,) = struct.unpack_from("<H", rx, wire.HEADER_SIZE)
    try:
        total = os.stat(app.config[0])[6]
        with open(app.config[0], "rb") as f:
            f.seek(min(offset, total))
            data = f.read(_PIECE)
    except OSError:
        return wire.STATUS_FAILED, "no board description"
    link = app.link
    link.head(wire.CONFIG)
    at = wire.HEADER_SIZE
    struct.pack_into("<HHH", link.body, at, total, offset, len(data))
    link.body[at + 6 : at + 6 + len(data)] = data
    link.send(at + 6 + len(data))
    return wire.STATUS_OK, ""


def _write(config, rx, size):
    at = wire.HEADER_SIZE
    if size < at + 6:
        return wire.STATUS_BAD_VALUE, "payload too short"
    total, offset, n = struct.unpack_from("<HHH", rx, at)
    if size < at + 6 + n or total > _LARGEST or offset + n > total:
        return wire.STATUS_BAD_VALUE, "piece does not fit"
    if offset == 0:
        config[1] = 0
    if offset != config[1]:
        return wire.STATUS_BAD_VALUE, "expected the piece at " + str(config[1])
    new = config[0] + ".new"
    try:
        with open(new, "ab" if offset else "wb") as f:
            f.write(bytes(rx[at + 6 : at + 6 + n]))
        config[1] += n
        if config[1] < total:
            return wire.STATUS_OK, ""
        return _take(config, new)
    except OSError as e:
        return wire.STATUS_FAILED, "flash: " + str(e)


def _take(config, new):
    config[1] = 0
    problem = _wrong(new)
    if problem:
        files.removed(new)
        return wire.STATUS_BAD_VALUE, problem
    if not files.replace(new, config[0]):
        return wire.STATUS_FAILED, "flash: the new description could not be written; the old one stays"
    return wire.STATUS_OK, "used from the next start on"


def _self_test(app):
    if not app.front:
        return wire.STATUS_NOT_NOW, "no front end"
    if app.state == wire.STATE_SCANNING:
        return wire.STATUS_NOT_NOW, "scanning: STOP first"
    app.retry()
    if app.state == wire.STATE_FAULT:
        return wire.STATUS_FAILED, "see HEALTH"
    leads = app.front.leads
    return wire.STATUS_OK, leads.words if leads else ""


def _restart(app):
    if app.front:
        app.front.open_all()
    if app.boots:
        app.boots.leaving(wire.RESET_REASON_COMMAND)
    app.leaving = True
    return wire.STATUS_OK, ""

# What the board says by itself, packed: mostly into the link's buffer, which is free between frames. Sizes come back
# without the CRC. Answers to commands of their own modules are packed there, so that they take memory only while asked.

import gc
import math
import struct
import sys

from evenboard import NAME, VERSION
from evenstring_protocol import wire
from micropython import const

_UNKNOWN = const(65535)
_NO_DRAW = (_UNKNOWN, _UNKNOWN, _UNKNOWN)
_SCAN_HEAD = wire.HEADER_SIZE + wire.SCAN_SIZE


def runtime():
    info = sys.implementation
    if info.name != "micropython":
        return "CPython " + sys.version.split()[0]
    version = ".".join(str(v) for v in info[1][:3])
    return "MicroPython " + version + ("-" + info[1][3] if len(info[1]) > 3 and info[1][3] else "")


# Bits of IDENT.measures for what is fitted.
def measures(sensors, passes):
    bits = wire.MEASURES_CURRENT if sensors.has_current else 0
    if bits and passes == 2:
        bits |= wire.MEASURES_CURRENT_PER_READING
    if sensors.packs:
        bits |= wire.MEASURES_PACK_VOLTAGE
    return bits | wire.MEASURES_TEMPERATURE if sensors.temps else bits


# Noise of a reading, uV, from that of one conversion: all of it falls with the root of their number but the step of
# 200 uV on the wire (200^2 / 12 = 3333). The converter's own step falls too, noise of half a step shaking it.
def averaged_uv(noise_uv, conversions):
    if conversions == 1 or noise_uv == _UNKNOWN:
        return noise_uv
    return int(math.sqrt(max(noise_uv * noise_uv - 3333, 0) / conversions + 3333) + 0.5)


# Returns the size, CRC not counted.
def fill_ident(app, board, reason):
    link = app.link
    front = app.front
    meter = board.get("meter") or {}
    link.head(wire.IDENT)
    struct.pack_into(
        wire.IDENT_FORMAT,
        link.body,
        wire.HEADER_SIZE,
        wire.SCHEMA,
        board["groups"],
        wire.READING_STEP_UV,
        front.kind if front else wire.FRONT_END_UNKNOWN,
        measures(front.sensors, front.passes) if front else 0,
        front.sensors.temps if front else 0,
        app.scan_ms(),
        averaged_uv(meter.get("noise_uv", _UNKNOWN), front.conversions if front else 1),
        meter.get("channel_u_uv", _UNKNOWN),
        meter.get("gain_u_ppm", _UNKNOWN),
        app.boot_count & 0xFFFF,
        app.boot_count >> 16,
        reason,
    )
    n = wire.HEADER_SIZE + wire.IDENT_SIZE
    for text in (board.get("board_id", ""), board.get("string_name", ""), NAME + " " + VERSION, runtime()):
        n = link.put_text(n, text)
    memory = app.watch.hours if app.watch else None
    hours = memory.hours(app.pace_ms()) if memory else (_UNKNOWN, _UNKNOWN, wire.RECORD_BASIS_NONE)
    draw = board.get("draw_mah") or _NO_DRAW
    struct.pack_into("<HHBHHH", link.body, n, hours[0], hours[1], hours[2], draw[0], draw[1], draw[2])
    return n + 11


def fill_health(app, fault, where, longest_ms):
    link = app.link
    front = app.front
    link.head(wire.HEALTH)
    free = gc.mem_free() if hasattr(gc, "mem_free") else 0
    zero = front.zero_uv if front else 0
    struct.pack_into(
        wire.HEALTH_FORMAT,
        link.body,
        wire.HEADER_SIZE,
        app.state,
        fault,
        where,
        app.scans & 0xFFFF,
        app.scans >> 16,
        link.dropped,
        link.bad,
        (front.bus_errors + front.sensors.errors if front else 0) & 0xFFFF,
        (front.settle_fails if front else 0) & 0xFFFF,
        longest_ms,
        free & 0xFFFF,
        (free >> 16) & 0xFFFF,
        max(-32768, min(32767, zero)),
    )
    return wire.HEADER_SIZE + wire.HEALTH_SIZE


# Part of the scan path: nothing here allocates.
def fill_scan(link, front, flags):
    sensors = front.sensors
    body = link.body
    link.head(wire.SCAN, front.start_low, front.start_high)
    n = front.groups
    currents = len(front.currents) if front.currents else 0
    body[7] = flags
    body[8] = n
    body[9] = front.passes
    body[10] = currents
    body[11] = sensors.packs
    body[12] = sensors.temps
    struct.pack_into("<HH", body, 13, front.step_us, front.turn_us)
    at = _put(body, front.readings, front.passes * n, _SCAN_HEAD)
    if currents:
        at = _put(body, front.currents, currents, at)
    at = _put(body, sensors.pack, sensors.packs, at)
    return _put(body, sensors.temp, sensors.temps, at)


def _put(body, values, count, at):
    for i in range(count):
        v = values[i]
        body[at] = v & 0xFF
        body[at + 1] = (v >> 8) & 0xFF
        at += 2
    return at


# The payload of ALARM at a place of any buffer: five numbers as `Alarms.take` gives them, then the masks.
def put_alarm(body, at, event, active, latched):
    struct.pack_into(wire.ALARM_FORMAT, body, at, event[0], event[1], event[2], event[3], event[4], active, latched)


def fill_press(link, what, count):
    link.head(wire.PRESS)
    struct.pack_into(wire.PRESS_FORMAT, link.body, wire.HEADER_SIZE, what, count)
    return wire.HEADER_SIZE + wire.PRESS_SIZE


def fill_clock(link, clock):
    wall = clock.wall
    source = wire.CLOCK_SOURCE_HOST if clock.wall_set else wire.CLOCK_SOURCE_NONE
    struct.pack_into(wire.HEADER_FORMAT, link.body, 0, wire.CLOCK, 0, clock.low, clock.high)
    struct.pack_into(wire.CLOCK_FORMAT, link.body, wire.HEADER_SIZE, source, wall[0], wall[1], wall[2], wall[3])
    return wire.HEADER_SIZE + wire.CLOCK_SIZE


def fill_recorder(link, recorder):
    store = recorder.store
    link.head(wire.RECORDER)
    kept = store.kept + (1 if store.alarm and store.is_open else 0)
    struct.pack_into(
        wire.RECORDER_FORMAT,
        link.body,
        wire.HEADER_SIZE,
        recorder.mode,
        recorder.state,
        recorder.memory,
        store.segments & 0xFFFF,
        kept & 0xFFFF,
        (store.used + store.size) >> 10,
        store.room >> 10,
        recorder.blocks & 0xFFFF,
        recorder.blocks >> 16,
        recorder.blocks_lost,
        recorder.scans_lost,
        store.deleted & 0xFFFF,
        recorder.worst_stall_ms,
    )
    return wire.HEADER_SIZE + wire.RECORDER_SIZE

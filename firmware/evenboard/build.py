# From a checked board description to an App: the only place that knows which part is behind which name.

import sys

from machine import I2C, Pin

from evenboard import board as boards
from evenboard.ads111x import DIFFERENTIAL_6V, SINGLE_4V, Ads111x
from evenboard.app import App
from evenboard.clock import Clock
from evenboard.link import Link
from evenboard.mux import Mux
from evenboard.relay_scan import RelayScan


# Ten time constants of both series resistors and the bus capacitance, in us, and one more for good measure.
def settle_us(series_ohm, bus_pf):
    return 11 * 2 * (series_ohm // 100) * (bus_pf // 10) // 1000 + 20


def make_front(data):
    i2c = data["i2c"]
    bus = I2C(i2c["id"], scl=Pin(i2c["scl"]), sda=Pin(i2c["sda"]), freq=i2c["hz"], timeout=5000)
    m = data["mux"]
    mux = Mux(bus, m["address"], Pin(m["alive_pin"], Pin.OUT, value=0), m["relay_on_us"], m["relay_off_us"])
    adc = Ads111x(bus, data["adc"]["address"], DIFFERENTIAL_6V)
    current = None
    scale = None
    if data.get("current"):
        current = Ads111x(bus, data["current"]["address"], SINGLE_4V)
        scale = (data["current"]["zero_uv"], data["current"]["uv_per_a"])
    wait = settle_us(m["series_ohm"], m["bus_pf"])
    return RelayScan(mux, adc, data["groups"], wait, current, scale, data.get("calibration"))


# `out.write(buf, n)` is MicroPython's; CPython needs a slice.
def writer(out):
    if sys.implementation.name == "micropython":
        return out.write

    def write(buf, n):
        out.write(memoryview(buf)[:n])
        out.flush()

    return write


def make_app(path, out, feed, reason=0, boot_count=0):
    data, problem = boards.load(path)
    front = None if problem else make_front(data)
    clock = Clock()
    return App(data, problem, front, Link(writer(out), clock), clock, feed, reason, boot_count)

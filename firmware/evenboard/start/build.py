# From a checked board description to an App: the only place that knows which part is behind which name. Let go after
# the start (main.py), so nothing that stays may be a function of this file or of `build_alarms` and `build_memory`.

from evenboard.app import App
from evenboard.base.clock import Clock
from evenboard.front.adc_ads111x import ADS111x
from evenboard.front.adc_ads122c04 import ADS122C04
from evenboard.front.bus import Bus
from evenboard.front.leads import Leads
from evenboard.front.mux import Expander, Mux, ShiftRegister
from evenboard.front.relay_scan import RelayScan
from evenboard.front.sensors import Sensors
from evenboard.line.link import Link
from machine import SPI, Pin

_CONVERTERS = {"ads1115": ADS111x, "ads122c04": ADS122C04}


# Eleven time constants of both series resistors and the bus capacitance, in us, and a little more.
def settle_us(series_ohm, bus_pf):
    return 11 * 2 * (series_ohm // 10) * (bus_pf // 10) // 10000 + 20


def make_mux(bus, m, groups):
    if m["part"] == "pca9555":
        port = Expander(bus, m["address"])
    else:
        spi = SPI(m["spi"], baudrate=1000000, sck=Pin(m["sck"]), mosi=Pin(m["mosi"]))
        port = ShiftRegister(spi, Pin(m["latch_pin"], Pin.OUT, value=0))
    return Mux(port, Pin(m["alive_pin"], Pin.OUT, value=0), groups, m["relay_off_us"])


def make_sensors(bus, data):
    current = data.get("current")
    pack = data.get("pack")
    ntc = data.get("ntc")
    main = current or pack
    return Sensors(
        ADS111x(bus, main["address"]) if main else None,
        current,
        pack,
        ADS111x(bus, ntc["address"]) if ntc else None,
        ntc,
    )


def make_bank(data, bus, clock):
    from evenboard.front import bank_parts, divider_bank  # noqa: PLC0415 -- RAM only where fitted

    problem = divider_bank.refused(data)
    if problem:
        raise ValueError(problem)
    b = data["bank"]
    part = bank_parts.PARTS[b.get("part", "ads8688")]
    pins = Pin(b["sck"]), Pin(b["mosi"]), Pin(b["miso"])
    spi = SPI(b["spi"], baudrate=4000000, phase=part.phase, sck=pins[0], mosi=pins[1], miso=pins[2])
    converters = [part(spi, Pin(n, Pin.OUT, value=1)) for n in b["select_pins"]]
    enable = Pin(b["enable_pin"], Pin.OUT, value=0)
    sensors = make_sensors(bus, data)
    return divider_bank.DividerBank(converters, enable, data["groups"], b, sensors, clock, data.get("calibration"))


def make_island(island):
    if not island:
        return None
    from evenboard.front.isolated_supply import IsolatedSupply  # noqa: PLC0415 -- RAM only where fitted

    return IsolatedSupply(Pin(island["pin"], Pin.OUT, value=0), island["start_ms"])


def make_front(data, clock):
    line = Bus(data["i2c"])
    bus = line.open()
    island = make_island(data.get("island"))
    if data["front_end"] == "divider_bank":
        front = make_bank(data, bus, clock)
        front.island = island
        return front
    m = data["mux"]
    adc = _CONVERTERS[data["adc"]["part"]](bus, data["adc"]["address"])
    times = (m["relay_on_us"], m["relay_off_us"], settle_us(m["series_ohm"], m["bus_pf"]))
    mux = make_mux(bus, m, data["groups"])
    sensors = make_sensors(bus, data)
    front = RelayScan(mux, adc, data["groups"], times, sensors, clock, data.get("calibration"), line.recover)
    front.island = island
    front.conversions = data["adc"].get("conversions", 1)
    front.leads = Leads(data["groups"], m["series_ohm"], m.get("zero_ohm", 1000))
    return front


# data, problem: what `board.load` gave. write(buf, n): the line. feed: the watchdog's. calibration: path of its main
# copy; None where there is no file system.
def make_app(data, problem, write, feed, reason=0, boot_count=0, calibration=None):
    clock = Clock()
    front = None
    if not problem:
        try:
            front = make_front(data, clock)
        except (OSError, ValueError) as e:
            problem = "the board description cannot be used: " + str(e)
    memory = None
    if data.get("recorder"):
        from evenboard.start import build_memory  # noqa: PLC0415 -- RAM only where fitted

        memory = build_memory.Memory(data["recorder"], boot_count)
        boot_count = memory.latch.boots
    app = App(data, problem, front, Link(write, clock), clock, feed, reason, boot_count)
    if front and calibration:
        from evenboard.front.calibration import Calibration  # noqa: PLC0415 -- RAM only where fitted

        Calibration(app, data, calibration, memory.latch if memory else None)
    if data.get("alarms") is not False:
        from evenboard.start import build_alarms  # noqa: PLC0415 -- RAM only where fitted

        app.watch = build_alarms.make_watch(app, data, memory)
    return app

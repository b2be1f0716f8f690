# What every front end has. A front end fills `readings` (array of passes x groups, out pass then back pass, both in the
# order of the groups, in steps of 200 uV or a reading code), `currents` (10 mA, one a reading or one in all) or None,
# `step_us`, `turn_us`, `flags`, `start_low`/`start_high` (uptime of the first reading), and says its troubles in
# `fault` and `fault_where`. It adds `kind`, `passes`, `begin()`, `_whole_scan()`, `open_all()`, `_test()`
# (the self-test) and `scan_ms()`. `scan` allocates nothing.

from array import array

from evenstring_protocol import wire
from micropython import const

NO_GROUP = const(255)
_HUNG = (wire.FAULT_BUS, wire.FAULT_ADC, wire.FAULT_MUX)
TROUBLE = (OSError, MemoryError)  # of a sensor: the second is what a bus error may become with a full heap


class FrontEnd:
    # calibration: of the board description, `offset_uv` and `gain_ppm` with one value a group, or None.
    def __init__(self, groups, passes, sensors, clock, calibration):
        self.groups = groups
        self.sensors = sensors
        self._clock = clock
        self.readings = array("h", (wire.NO_READING for _ in range(passes * groups)))
        samples = passes * groups if passes > 1 else 1
        self.currents = array("h", (wire.NO_READING for _ in range(samples))) if sensors.has_current else None
        self._offset_uv = array("i", (calibration or {}).get("offset_uv") or [0] * groups)
        self._gain_ppm = array("i", (calibration or {}).get("gain_ppm") or [0] * groups)
        self.calibrated = bool(calibration)
        self.zero_uv = 0
        self.step_us = 0
        self.turn_us = 0
        self.start_low = 0
        self.start_high = 0
        self.settle_fails = 0
        self.bus_errors = 0
        self.island = None  # the switch of the island's supply, where one is fitted
        self.leads = None  # resistance of the leads from the last self-test, where it can be measured
        self._clear()

    # Another correction of each channel, between two scans.
    def correct(self, offset_uv, gain_ppm, calibrated):
        for i in range(self.groups):
            self._offset_uv[i] = offset_uv[i]
            self._gain_ppm[i] = gain_ppm[i]
        self.calibrated = calibrated

    # Before a scan or a test: nothing is wrong yet.
    def _clear(self):
        self.flags = 0 if self.calibrated else wire.SCAN_UNCALIBRATED
        self.fault = wire.FAULT_NONE
        self.fault_where = NO_GROUP

    # Until the next scan or test: everything open and the island's supply off.
    def rest(self):
        if self.island:
            self.open_all()
            self.island.off()

    def _wake(self):
        if self.island and not self.island.is_on:
            self.island.on()
            self.begin()

    # At boot and before leaving a fault. A part that hangs gets its supply taken away, once. An error of the firmware's
    # own leaves this, everything open: who tests again and again without end would keep the watchdog from its work.
    def self_test(self):
        try:
            if self.island:
                self.island.on()
            self._test()
            if self.island and self.fault in _HUNG:
                self.open_all()
                self.island.cycle()
                self._test()
        finally:
            self.open_all()
        return self.fault == wire.FAULT_NONE

    # One scan. True when it is whole; on a fault everything is commanded open and False comes back.
    def scan(self):
        self._clear()
        try:
            self._wake()
            self._whole_scan()
        except Exception as error:
            self._broke(error)
        self.open_all()
        return self.fault == wire.FAULT_NONE

    # What went wrong is counted and named: the bus, or the firmware itself, its memory included.
    def _broke(self, error):
        self.bus_errors = (self.bus_errors + 1) & 0xFFFF
        self.fault = wire.FAULT_BUS if isinstance(error, OSError) else wire.FAULT_FIRMWARE

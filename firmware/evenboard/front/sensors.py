# What is measured beside the groups, by converters of the ADS1115 class: current (AIN0), whole-pack voltage (AIN2) and
# up to four thermistors on a part of their own. Current converts on and on while a scan runs, so that each reading's
# current costs one short transfer; temperatures are slow and take turns, one a scan.

import math
from array import array

from evenboard.front.adc_ads111x import IN0_4V, IN2_4V, OVER, STEP_4V
from evenboard.front.front_end import TROUBLE
from micropython import const

NO_READING = const(-32768)
NO_PACK = const(65535)
_T_FIRST = const(-40)
_T_LAST = const(125)
_T_STEP = const(5)


# Divider voltage in uV every 5 degC of a thermistor to ground below a resistor to `supply_uv`.
# B-parameter equation: R = R25 exp(B (1/T - 1/298.15 K)). Floats, but only once, at boot.
def thermistor_table(b_kelvin, r25_ohm, r_ohm, supply_uv):
    table = array("i")
    for t in range(_T_FIRST, _T_LAST + 1, _T_STEP):
        r = r25_ohm * math.exp(b_kelvin * (1 / (t + 273.15) - 1 / 298.15))
        table.append(int(supply_uv * r / (r + r_ohm)))
    return table


# 0.01 degC from the divider's voltage, linear between table points. Open or shorted (beyond the table): NO_READING.
def centi_degrees(uv, table):
    if uv > table[0] or uv < table[len(table) - 1]:
        return NO_READING
    low = 0
    high = len(table) - 1
    while high - low > 1:
        middle = (low + high) >> 1
        if table[middle] >= uv:
            low = middle
        else:
            high = middle
    return (_T_FIRST + low * _T_STEP) * 100 + (table[low] - uv) * (_T_STEP * 100) // (table[low] - table[high])


class Sensors:
    # main: converter for current and pack voltage, or None; heat: converter for thermistors, or None.
    def __init__(self, main, current, pack, heat, ntc):
        self._main = main
        self._zero_uv = current["zero_uv"] if current else 0
        self._uv_per_a = current["uv_per_a"] if current else 1
        self._ratio = pack["ratio"] if pack else 0
        self._heat = heat
        self.has_current = bool(main and current)
        self.packs = 3 if main and pack else 0
        self.temps = ntc["count"] if heat and ntc else 0
        self._table = thermistor_table(ntc["b_kelvin"], ntc["r25_ohm"], ntc["r_ohm"], ntc["supply_uv"]) if ntc else None
        self.pack = array("H", (NO_PACK for _ in range(3)))
        self.temp = array("h", (NO_READING for _ in range(4)))
        self._turn = 0
        self._main_ok = False
        self.errors = 0

    # An absent sensor is missing in the numbers; it does not stop the groups from being read.
    def begin(self):
        for part in (self._main, self._heat):
            if part:
                try:
                    part.begin()
                except TROUBLE:
                    self._failed()

    def _failed(self):
        self.errors = (self.errors + 1) & 0xFFFF

    # Before a scan: start one temperature, take one pack sample, then let the current convert on.
    def start_scan(self):
        if self._heat:
            try:
                self._heat.start(0x42 | self._turn << 4)
            except TROUBLE:
                self._failed()
        self._main_ok = bool(self._main)
        self.sample_pack(0)

    # Pack sample k (start, turn, end) in 10 mV; then the current converts on.
    def sample_pack(self, k):
        if self.packs:
            self.pack[k] = NO_PACK
        if not self._main_ok:
            return
        try:
            if self.packs:
                self._main.start(IN2_4V)
                uv = self._main.read(STEP_4V)
                if uv is not None and 0 <= uv < OVER:
                    self.pack[k] = uv * self._ratio // 10000  # uv is at most 4.1 V here: the product stays under 2^30
            if self.has_current:
                self._main.run(IN0_4V)
        except TROUBLE:
            self._main_failed()

    # For the rest of this scan: waiting for a dead part at each reading would make the scan long.
    def _main_failed(self):
        self._main_ok = False
        self._failed()

    # Charging current now, 10 mA.
    def current(self):
        if not self._main_ok:
            return NO_READING
        try:
            uv = self._main.latest(STEP_4V)
        except TROUBLE:
            self._main_failed()
            return NO_READING
        if uv >= OVER or uv <= -OVER:
            return NO_READING
        value = (uv - self._zero_uv) * 100 // self._uv_per_a
        return max(-32767, min(32767, value))

    def end_scan(self):
        self.sample_pack(2)
        if not self._heat:
            return
        value = NO_READING
        try:
            uv = self._heat.fetch(STEP_4V)
            if 0 <= uv < OVER:
                value = centi_degrees(uv, self._table)
        except TROUBLE:
            self._failed()
        self.temp[self._turn] = value
        self._turn = self._turn + 1 if self._turn + 1 < self.temps else 0

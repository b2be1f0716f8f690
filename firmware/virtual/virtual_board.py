# Puts the models where the board description says the parts are.

import machine
from parts import DeltaSigma16, DeltaSigma24, PortExpander, SensorInputs, decode


# The processor stops in the middle of something: a reset, a brown-out. No firmware catches it.
class Crash(BaseException):
    pass


class VirtualBoard:
    def __init__(self, world, description):
        self.world = world
        self.parts = {}
        self.silent = set()  # addresses of parts that do not answer
        self.bus_low = False  # a part holds the data line low; nine clocks free it
        self.fail_in = 0  # the transfer after that many fails; a write has then got as far as its first data byte
        self.crash_in = 0  # and here the processor resets
        self._clocks = 0
        self._levels = {}
        self._shifted = b"\x1f\x3f"
        mux = description.get("mux") or {}
        self._alive = mux.get("alive_pin", -1)
        self._latch = mux.get("latch_pin", -1)
        self._i2c = description["i2c"]
        self._description = description
        self._island = (description.get("island") or {}).get("pin", -1)
        self.powered = self._island < 0
        self.hung = set()  # addresses of parts that do not answer until their supply goes
        self.hung_low = False  # the data line is held low, clocks or not, until the supply goes
        self._place(description, mux)
        machine.board = self

    # The island's switch: without supply nothing answers and every relay is open; with it parts are as new.
    def _power(self, on):
        if on and not self.powered:
            self._place(self._description, self._description.get("mux") or {})
        elif self.powered and not on:
            self.hung.clear()
            self.hung_low = self.bus_low = False
            self.world.command(-1, -1, False)
        self.powered = bool(on)

    def _place(self, description, mux):
        world = self.world
        self.banks = []
        self._bank_pins = []
        if description.get("bank"):
            self._place_bank(description)
            return
        adc = description["adc"]
        if adc["part"] == "ads1115":
            self.parts[adc["address"]] = DeltaSigma16(lambda _: world.line_uv(75))
        else:
            self.parts[adc["address"]] = DeltaSigma24(lambda _: world.line_uv(20))
        if mux["part"] == "pca9555":
            self.parts[mux["address"]] = PortExpander(world)
        self._place_sensors(description)

    def _place_sensors(self, description):
        inputs = SensorInputs(self.world, description)
        main = description.get("current") or description.get("pack")
        if main:
            self.parts[main["address"]] = DeltaSigma16(inputs.main)
        if description.get("ntc"):
            self.parts[description["ntc"]["address"]] = DeltaSigma16(inputs.heat)

    def _place_bank(self, description):
        from banks import Bank16, Bank32  # noqa: PLC0415 -- RAM only where fitted

        bank = description["bank"]
        for chip, pin in enumerate(bank["select_pins"]):
            first = 8 * chip + 1
            self._bank_pins.append(pin)
            kind = Bank16 if bank.get("part") == "ltc1867" else Bank32
            self.banks.append(kind(self, first, bank["full_mv"][first - 1 : first + 7]))
        self._enable = bank["enable_pin"]
        self._place_sensors(description)

    # Voltage at the foot of a divider while they are joined.
    def joined_tap_uv(self, tap):
        faults = self.world.faults
        if not self._levels.get(self._enable, 0) or (faults and faults.is_open(tap)):
            return 0
        return self.world.tap_uv(tap)

    def spi_exchange(self, out, into):
        for k in range(len(self._bank_pins)):
            pin = self._bank_pins[k]
            if not self._levels.get(pin, 1) and pin not in self.silent:
                self.banks[k].exchange(out, into)
                return
        for i in range(len(into)):
            into[i] = 0xFF  # a pull-up

    def part(self, address):
        if not self.powered or address in self.silent or address in self.hung or address not in self.parts:
            raise OSError(19)
        return self.parts[address]

    def write(self, address, data):
        part = self.part(address)
        if self.fail_in and self._comes("fail_in"):
            if len(data) > 2:
                part.write(data[:2])
            raise OSError(5)
        part.write(data)
        if self.crash_in and self._comes("crash_in"):
            raise Crash()

    def read_into(self, address, into):
        if self.fail_in and self._comes("fail_in"):
            raise OSError(5)
        self.part(address).read_into(into)

    def _comes(self, counter):
        left = getattr(self, counter) - 1
        setattr(self, counter, left)
        return left == 0

    def pin_level(self, number):
        if number == self._i2c["sda"]:
            return 0 if self.bus_low or self.hung_low else 1
        return self._levels.get(number, 1)

    def pin_set(self, number, level):
        if number == self._island:
            self._power(level)
        rising = level and not self._levels.get(number, 0)
        self._levels[number] = level
        if not rising:
            return
        if number == self._alive:
            self.world.kick()
        elif number == self._latch:
            decode(self.world, self._shifted[-1], self._shifted[-2])
        elif number == self._i2c["scl"] and self.bus_low:
            self._clocks += 1
            if self._clocks >= 9:
                self.bus_low = False
                self._clocks = 0

    def spi_write(self, data):
        self._shifted = (self._shifted + bytes(data))[-2:]

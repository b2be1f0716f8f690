# The supply of the measuring island, through a load switch that a pin turns on (pulled off by hardware, so that a board
# that resets or is being programmed leaves it off). Without supply every relay is open. It is switched off while the
# board sleeps, and off and on again when a part there hangs and nine clocks did not help.

import time

OFF_MS = 100  # until the island's capacitors are empty


class IsolatedSupply:
    # start_ms: from switching on until its parts answer.
    def __init__(self, pin, start_ms):
        self._pin = pin
        self._start_ms = start_ms
        self.is_on = False
        self.cycles = 0
        pin.value(0)

    def on(self):
        if not self.is_on:
            self._pin.value(1)
            self.is_on = True
            time.sleep_ms(self._start_ms)

    def off(self):
        self._pin.value(0)
        self.is_on = False

    def cycle(self):
        self.cycles = (self.cycles + 1) & 0xFFFF
        self.off()
        time.sleep_ms(OFF_MS)
        self.on()

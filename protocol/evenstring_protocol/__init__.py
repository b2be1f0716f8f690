# The wire format shared by firmware and host: `wire` (codes and struct formats, generated) and `framing` (COBS, CRC).
# Everything here runs unchanged on MicroPython and CPython and imports nothing but `struct` and `array`.

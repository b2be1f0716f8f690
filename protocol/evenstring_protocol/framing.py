# Framing: COBS (Cheshire and Baker 1999) with one 0x00 after each frame, and CRC-32/ISO-HDLC over header and payload.
#
# Goals: the same file on a board and on a computer; nothing is allocated once the buffers exist; no integer ever
# reaches 2^30, since from there on it is a heap object on a 32-bit board. The CRC is therefore kept as two 16-bit
# halves and written into the buffer as bytes.
#
# Sizes are in bytes. Callers own all buffers and see to their lengths: `encoded_size` says what a frame needs.

from array import array

CRC_SIZE = 4


def _crc_tables():
    # One entry a byte value, reflected polynomial 0xEDB88320, split in halves.
    low = array("H", bytes(512))
    high = array("H", bytes(512))
    for i in range(256):
        lo = i
        hi = 0
        for _ in range(8):
            carry = lo & 1
            lo = (lo >> 1) | ((hi & 1) << 15)
            hi >>= 1
            if carry:
                lo ^= 0x8320
                hi ^= 0xEDB8
        low[i] = lo
        high[i] = hi
    return low, high


_LOW, _HIGH = _crc_tables()


def put_crc(buf, n, low=_LOW, high=_HIGH):
    """Write the CRC of buf[:n] to buf[n:n+4], little endian."""
    lo = 0xFFFF
    hi = 0xFFFF
    for i in range(n):
        k = (lo ^ buf[i]) & 0xFF
        lo = ((lo >> 8) | ((hi & 0xFF) << 8)) ^ low[k]
        hi = (hi >> 8) ^ high[k]
    lo ^= 0xFFFF
    hi ^= 0xFFFF
    buf[n] = lo & 0xFF
    buf[n + 1] = lo >> 8
    buf[n + 2] = hi & 0xFF
    buf[n + 3] = hi >> 8


def crc_ok(buf, n, low=_LOW, high=_HIGH):
    """Tell whether buf[:n] ends with the CRC of what stands before it."""
    if n < CRC_SIZE:
        return False
    lo = 0xFFFF
    hi = 0xFFFF
    for i in range(n - CRC_SIZE):
        k = (lo ^ buf[i]) & 0xFF
        lo = ((lo >> 8) | ((hi & 0xFF) << 8)) ^ low[k]
        hi = (hi >> 8) ^ high[k]
    lo ^= 0xFFFF
    hi ^= 0xFFFF
    return buf[n - 4] == lo & 0xFF and buf[n - 3] == lo >> 8 and buf[n - 2] == hi & 0xFF and buf[n - 1] == hi >> 8


def encoded_size(n):
    """Largest size of n stuffed bytes, the closing 0x00 included."""
    return n + n // 254 + 2


def encode(src, n, dst):
    """Stuff src[:n] into dst, close it with 0x00 and return the number of bytes written."""
    at = 0  # where the code of the running block goes
    out = 1
    code = 1
    for i in range(n):
        b = src[i]
        if b:
            dst[out] = b
            out += 1
            code += 1
            # A full block has no zero behind it; the last one needs no further block either.
            if code == 255 and i + 1 < n:
                dst[at] = 255
                at = out
                out += 1
                code = 1
        else:
            dst[at] = code
            at = out
            out += 1
            code = 1
    dst[at] = code
    dst[out] = 0
    return out + 1


def decode(src, n, dst):
    """Unstuff src[:n] (without the closing 0x00) into dst, which may be src; return the size, or -1 if damaged."""
    i = 0
    out = 0
    while i < n:
        code = src[i]
        i += 1
        if code == 0:
            return -1
        end = i + code - 1
        if end > n:
            return -1
        while i < end:
            b = src[i]
            if b == 0:
                return -1
            dst[out] = b
            out += 1
            i += 1
        if code != 255 and i < n:
            dst[out] = 0
            out += 1
    return out

# Exponential decay in whole numbers: what is left of a voltage after some time, with no product above 2^30.

import math
from array import array

_PER_TAU = 16
_TABLE = array("H", [int(16384 * math.exp(-k / _PER_TAU) + 0.5) for k in range(14 * _PER_TAU)])


def decayed(uv, gone_us, tau_us):
    if gone_us >= 14 * tau_us:
        return 0
    at = gone_us * _PER_TAU // tau_us
    return (uv >> 8) * _TABLE[at] >> 6 if at < 14 * _PER_TAU else 0

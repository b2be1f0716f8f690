"""The uncertainty of a hand meter as its sheet or certificate writes it: "0.02 % + 0.5 mV (k = 2)"."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from evenstring.errors import InputError

__all__ = ["MeterUncertainty", "parse_uncertainty"]

_TERM = re.compile(r"([\d.,]+)\s*(%|ppm|mV|µV|μV|uV|V)(?:\s*(?:of\s+)?(?:reading|rdg))?", re.IGNORECASE)
_FACTOR = re.compile(r"\(?\s*k\s*=\s*([\d.,]+)\s*\)?", re.IGNORECASE)
_PARTS = {"%": 1e-2, "ppm": 1e-6}
_VOLTS = {"mv": 1e-3, "µv": 1e-6, "μv": 1e-6, "uv": 1e-6, "v": 1.0}


@dataclass(frozen=True, slots=True)
class MeterUncertainty:
    """Standard uncertainty (k = 1) of a reading: a part of it, and so many volts."""

    part: float
    fixed_v: float

    def u_v(self, volts_v: float) -> float:
        """Of a reading of so many volts."""
        return self.part * abs(volts_v) + self.fixed_v


def parse_uncertainty(text: str, where: str) -> MeterUncertainty:
    """Parts and volts, added; divided by k where the text says it, else by the root of 3.

    A limit of error without k is taken as the half width of a rectangle (JCGM 100:2008, 4.3.7).

    Raises:
        InputError: anything in it that is none of these.
    """
    factor = _FACTOR.search(text)
    rest = _FACTOR.sub("", text)
    terms = _TERM.findall(rest)
    if not terms or re.sub(r"[\s+±,;()]", "", _TERM.sub("", rest)):
        raise InputError(
            f"{where}: the meter's uncertainty {text[:60]!r} is not understood; write it like"
            ' "0.02 % + 0.5 mV (k = 2)", digits and counts as mV'
        )
    try:
        k = float(factor[1].replace(",", ".")) if factor else math.sqrt(3)
        values = [(float(number.replace(",", ".")), unit.lower()) for number, unit in terms]
    except ValueError as error:
        raise InputError(f"{where}: the meter's uncertainty {text[:60]!r} holds no numbers ({error})") from error
    part = sum(v * _PARTS[unit] for v, unit in values if unit in _PARTS)
    fixed_v = sum(v * _VOLTS[unit] for v, unit in values if unit in _VOLTS)
    if not (k > 0 and part + fixed_v > 0):
        raise InputError(f"{where}: the meter's uncertainty {text[:60]!r} must be above 0")
    return MeterUncertainty(part / k, fixed_v / k)

"""Open-circuit voltage of a cell over its state of charge (SoC): curves from the literature.

Used by simulator and analysis alike.

The tables (curves/curves.csv, made by curves/make_curves.py) come from parameter sets of `pybamm` (BSD-3-Clause):

    lg_m50_nmc  C.-H. Chen et al., J. Electrochem. Soc. 167 (2020) 080534 (LG M50, NMC 811 against graphite-silicon)
    umich_nmc   P. Mohtat et al., J. Electrochem. Soc. 167 (2020) 110561 (NMC 532 pouch cell)
    kim_nca     G.-H. Kim et al., J. Electrochem. Soc. 158 (2011) A955 (NCA against graphite)
    kokam_nmc   M. Ecker et al., J. Electrochem. Soc. 162 (2015) A1836 (Ni-Co oxide against graphite, 7.5 Ah class)
    a123_lfp    E. Prada et al., J. Electrochem. Soc. 160 (2013) A616 (LFP against graphite, 2.3 Ah class)
    chayambuka_nvpf  K. Chayambuka et al., Electrochimica Acta 404 (2022) 139764 (sodium: NVPF against hard carbon)
    mohtat_lto       the positive electrode of umich_nmc against lithium titanate; the titanate's 1.55 V from memory
    memory_na_ion    layered sodium oxide against hard carbon: from memory, neither published nor measured

Outside 0..1 a curve goes on in a straight line: steeply down below empty (to reversal, -0.8 V at the lowest), and up
above full.
Which curve a real cell has is never known exactly; whoever uses one says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from evenstring.chemistry import CHEMISTRIES
from evenstring.errors import InputError

__all__ = ["CURVES", "OcvCurve", "curve", "default_curve", "mean_voltage_v", "slipped"]

F64 = NDArray[np.float64]

CURVES = tuple(name for row in CHEMISTRIES.values() for name in row.curves)
_NODES = 4001  # dense and evenly spaced: a look-up is a multiplication, not a search
_BELOW_EMPTY_V = 25.0  # V per 1.0 of SoC below empty: a quarter of a volt per percent, the collapse of an emptied group
_REVERSAL_V = -0.8  # a reversed group settles about here while current is forced through it (from memory)
_ABOVE_FULL_V = 1.2  # least slope above full


@dataclass(frozen=True, eq=False)
class OcvCurve:
    """A rising open-circuit voltage curve.

    Attributes:
        name: of the table it comes from.
        table_v: (m,) V at evenly spaced SoC from 0 to 1, rising.
    """

    name: str
    table_v: F64

    def voltage_v(self, soc: ArrayLike) -> F64:
        """V at each SoC (1.0 is full), any shape."""
        x = np.asarray(soc, np.float64)
        last = len(self.table_v) - 1
        position = np.minimum(np.maximum(x, 0.0), 1.0) * last
        index = np.minimum(position.astype(np.intp), last - 1)
        inside = self.table_v.take(index) + (position - index) * self._steps_v.take(index)
        if x.size and (x.min() < 0.0 or x.max() > 1.0):
            inside = inside + np.minimum(x, 0.0) * _BELOW_EMPTY_V + np.maximum(x - 1.0, 0.0) * self._above_v
            return np.asarray(np.maximum(inside, _REVERSAL_V))
        return np.asarray(inside)

    def slope_v(self, soc: ArrayLike) -> F64:
        """dOCV/dSoC in V per 1.0 of SoC, any shape; smoothed over 1 % of SoC, as a figure for conversions should be."""
        x = np.asarray(soc, np.float64)
        last = len(self.table_v) - 1
        slope = np.interp(np.minimum(np.maximum(x, 0.0), 1.0) * last, self._places, self._slopes_v)
        return np.where(x < 0.0, _BELOW_EMPTY_V, np.where(x > 1.0, self._above_v, slope))

    def soc(self, voltage_v: ArrayLike) -> F64:
        """SoC at each voltage, any shape: the inverse of `voltage_v`, beyond 0..1 too."""
        v = np.asarray(voltage_v, np.float64)
        inside = np.interp(v, self.table_v, self._socs)
        below = np.minimum(v - self.table_v[0], 0.0) / _BELOW_EMPTY_V
        return np.asarray(inside + below + np.maximum(v - self.table_v[-1], 0.0) / self._above_v)

    def __post_init__(self) -> None:
        if (np.diff(self.table_v) <= 0).any():
            raise InputError(f"OCV curve {self.name}: voltages must rise with the state of charge")
        width = max(1, (len(self.table_v) - 1) // 200)
        index = np.arange(len(self.table_v))
        low, high = np.maximum(index - width, 0), np.minimum(index + width, len(self.table_v) - 1)
        rise = (self.table_v[high] - self.table_v[low]) * (len(self.table_v) - 1) / (high - low)
        object.__setattr__(self, "_places", index.astype(np.float64))
        object.__setattr__(self, "_socs", np.linspace(0.0, 1.0, len(self.table_v)))
        object.__setattr__(self, "_steps_v", np.diff(self.table_v))
        object.__setattr__(self, "_slopes_v", rise)
        object.__setattr__(self, "_above_v", max(_ABOVE_FULL_V, float(rise[-1])))

    _places: Any = None
    _socs: Any = None
    _steps_v: Any = None
    _slopes_v: Any = None
    _above_v: float = _ABOVE_FULL_V


@cache
def _table() -> dict[str, F64]:
    path = Path(__file__).parent / "curves" / "curves.csv"
    with path.open(encoding="utf-8") as file:
        names = file.readline().strip().split(",")
        data = np.loadtxt(file, delimiter=",")
    return {name: data[:, k] for k, name in enumerate(names)}


@cache
def curve(name: str) -> OcvCurve:
    """The named curve; one of `CURVES`.

    Raises:
        InputError: no such curve.
    """
    if name not in CURVES:
        raise InputError(f"OCV curve {name!r} is not known; use one of {', '.join(CURVES)}")
    table = _table()
    return OcvCurve(name, _monotone_cubic(np.linspace(0.0, 1.0, _NODES), table["soc"], table[name]))


def default_curve(chemistry: str) -> OcvCurve:
    """The curve assumed for a chemistry (a key of `CHEMISTRIES`) when nothing better is known.

    Raises:
        InputError: no such chemistry.
    """
    if chemistry not in CHEMISTRIES:
        raise InputError(f"chemistry {chemistry!r} has no OCV curve; use one of {', '.join(CHEMISTRIES)}")
    return curve(CHEMISTRIES[chemistry].curves[0])


def mean_voltage_v(of: OcvCurve) -> float:
    """Mean open-circuit voltage from empty to full: energy over charge of a very slow discharge."""
    return float(np.trapezoid(of.table_v, dx=1.0 / (len(of.table_v) - 1)))


def slipped(of: OcvCurve, by: float) -> OcvCurve:
    """The curve of an aged cell: its window moved by `by` of SoC (0.03: three points) along the fresh curve, ends kept.

    Ageing shifts the electrodes against each other; what that does to the middle of the curve is a shift that the two
    voltage limits squeeze to nothing at the ends. The shape s(1-s) of the squeeze is our own simplification.
    """
    soc = np.linspace(0.0, 1.0, len(of.table_v))
    return OcvCurve(f"{of.name}, slipped {by:+.3f}", of.voltage_v(soc + by * 4.0 * soc * (1.0 - soc)))


def _monotone_cubic(x: F64, nodes: F64, values: F64) -> F64:
    """Cubic through rising nodes that stays rising: the curve that scipy calls PCHIP, without needing scipy to run.

    Slopes inside are weighted harmonic means (F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300);
    at the ends three points (C. Moler, Numerical Computing with MATLAB, 2004). Both cited from memory.
    """
    width, rise = np.diff(nodes), np.diff(values) / np.diff(nodes)
    w1, w2 = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
    inner = (w1 + w2) / (w1 / rise[:-1] + w2 / rise[1:])
    first, last = _end_slope(width[:2], rise[:2]), _end_slope(width[:-3:-1], rise[:-3:-1])
    slope = np.concatenate([[first], inner, [last]])
    k = np.clip(np.searchsorted(nodes, x, side="right") - 1, 0, len(width) - 1)
    h, t = width[k], (x - nodes[k]) / width[k]
    return np.asarray(
        values[k] * (1 + 2 * t) * (1 - t) ** 2
        + h * slope[k] * t * (1 - t) ** 2
        + values[k + 1] * t * t * (3 - 2 * t)
        + h * slope[k + 1] * t * t * (t - 1)
    )


def _end_slope(width: F64, rise: F64) -> float:
    """Slope at the end of a rising curve, from its last two intervals, the outer one first."""
    slope = ((2 * width[0] + width[1]) * rise[0] - width[0] * rise[1]) / (width[0] + width[1])
    return float(np.maximum(slope, 0.0))

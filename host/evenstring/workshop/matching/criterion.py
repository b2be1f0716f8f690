"""What unlike cells in one string cost a rider, in per cent of the string's charge, and how sure that is.

A string is empty when its first cell is empty, so that all three quantities can be told in one unit:

    capacity    1 % less is 1 % of charge
    resistance  at a load the cell sags by I·r, and by the slope of its curve near empty that volt is charge
    leak        what has gone between two balanced charges: % a week times the weeks

A string costs the squared distances of its cells from their mean, in that unit (the within-group sum of squares of
Ward, J. Am. Stat. Assoc. 58 (1963) 236). What is only the tester's scatter should not sort cells: each reading is first
drawn towards the batch by as much as its uncertainty says (James and Stein), but never by more than one standard
uncertainty, so that a cell far out stays out (Efron and Morris, J. Am. Stat. Assoc. 67 (1972) 130: limited
translation). What was not measured is taken as the batch's median and costs the batch's own scatter.

Where more cells are offered than needed, a cell also costs the square of what it lacks against the median cell, so that
the worse ones stay behind. With all of them used that decides nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.ocv import default_curve
from evenstring.workshop.matching.cells import QUANTITIES, Cell

__all__ = ["Assumed", "Points", "points_of"]

F64 = NDArray[np.float64]

LOAD_C = 2.0  # full load of a small vehicle, in capacities an hour: common practice
WEEKS = 4.0  # between two charges that were left on until balanced: our choice
# Standard uncertainty where none is given: per cent of the value, twice, and % a week: our choice
USUAL_U = (0.5, 2.0, 0.1)
_NEAR_EMPTY = (0.05, 0.30)  # of charge, where a ride is ended by sag: our choice


@dataclass(frozen=True, slots=True)
class Assumed:
    """What the costs rest on.

    Attributes:
        chemistry: whose curve turns volts into charge.
        load_c: full load over the capacity, 1/h. weeks: between two balanced charges.
        usual_u: standard uncertainties where a reading has none: % of the value for the first two, % a week.
        capacity_ah: of a cell, where no capacity was measured; None: not known.
    """

    chemistry: str = "nmc"
    load_c: float = LOAD_C
    weeks: float = WEEKS
    usual_u: tuple[float, float, float] = USUAL_U
    capacity_ah: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Cells as the search sees them.

    Attributes:
        z: (n, 3) % of charge against the batch's median, positive is worse; drawn in by the uncertainty.
        extra: (n,) squared % of charge that a cell costs wherever it goes.
        per_unit: (3,) % of charge for one unit of each quantity; 0 where it was not measured.
        told: (3,) share of the batch's scatter that is the cells' own and not the tester's.
    """

    z: F64
    extra: F64
    per_unit: F64
    told: F64


def points_of(cells: Sequence[Cell], assumed: Assumed, size: int) -> Points:
    """Cells in the one unit of cost; `size`: of the strings.

    Raises:
        InputError: nothing was measured, or a load cannot be told because no capacity is known.
    """
    value, u = _readings(cells, assumed)
    known = np.isfinite(value)
    if not known.any():
        raise InputError("no cell has a capacity, a resistance or a leak")
    middle = np.array([np.median(v[k]) if k.any() else 0.0 for v, k in zip(value.T, known.T, strict=True)])
    per_unit = np.where(known.any(axis=0), _per_unit(middle, known, assumed), 0.0)
    away = np.where(known, (value - middle) * per_unit, 0.0)
    u = np.where(known, u * np.abs(per_unit), np.inf)
    own = np.zeros(3)
    told = np.zeros(3)
    for k in np.flatnonzero(known.any(axis=0)):
        seen = float(np.mean(away[known[:, k], k] ** 2))
        own[k] = max(seen - float(np.mean(u[known[:, k], k] ** 2)), 0.0)
        told[k] = own[k] / seen if seen > 0.0 else 0.0
    return _drawn_in(away, u, own, told, per_unit, size)


def _drawn_in(away: F64, u: F64, own: F64, told: F64, per_unit: F64, size: int) -> Points:
    finite = np.isfinite(u)
    square = np.where(finite, u, 0.0) ** 2
    both = np.maximum(own + square, 1e-300)
    move = np.clip(away * square / both, -np.where(finite, u, 0.0), np.where(finite, u, 0.0))
    z = np.where(finite, away - move, 0.0)
    left = np.where(finite, own * square / both, own)  # variance that stays unknown
    extra = (1.0 - 1.0 / size) * left.sum(axis=1) + (np.maximum(z, 0.0) ** 2).sum(axis=1)
    return Points(z, extra, per_unit, told)


def _readings(cells: Sequence[Cell], assumed: Assumed) -> tuple[F64, F64]:
    """(n, 3) values and standard uncertainties; NaN where not measured."""
    value, u = np.full((len(cells), 3), np.nan), np.full((len(cells), 3), np.nan)
    for n, cell in enumerate(cells):
        for k, reading in enumerate(cell.readings):
            if reading is not None:
                usual = assumed.usual_u[k] * (1.0 if k == 2 else 0.01 * abs(reading.value))
                value[n, k], u[n, k] = reading.value, usual if reading.u is None else reading.u
    return value, u


def _per_unit(middle: F64, known: NDArray[np.bool_], assumed: Assumed) -> F64:
    """% of charge for one unit of each quantity, positive where more is worse."""
    ah = float(middle[0]) if known[:, 0].any() else assumed.capacity_ah
    if ah is None and known[:, 1].any() and known[:, 2].any():
        raise InputError("resistance and leak cannot be weighed without a capacity: give it, or say --capacity")
    if ah is not None and not ah > 0.0:
        raise InputError("the median capacity is zero: these are no measured cells")
    volt = slope_v(assumed.chemistry)
    load_a = assumed.load_c * (ah or 1.0)
    signs = [q.worse for q in QUANTITIES]
    sizes = np.array([100.0 / (ah or 1.0), 100.0 * load_a * 1e-3 / volt, assumed.weeks])
    return np.asarray(np.array(signs) * sizes)


def slope_v(chemistry: str) -> float:
    """Volts for the whole charge at the slope of the curve near empty."""
    low, high = _NEAR_EMPTY
    v = default_curve(chemistry).voltage_v([low, high])
    return float(v[1] - v[0]) / (high - low)

"""From measured cells to strings: barred ones out, the rest arranged, each string and each left-over cell explained."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError, UsageError
from evenstring.workshop.matching.bound import lower_bound
from evenstring.workshop.matching.cells import QUANTITIES, Cell
from evenstring.workshop.matching.criterion import Assumed, Points, points_of
from evenstring.workshop.matching.exact import exact, work
from evenstring.workshop.matching.search import cost_of, search

__all__ = ["Counted", "LeftOver", "Matched", "String", "match"]

I64 = NDArray[np.int64]
_MOST_CELLS = 3000  # pairs of cells are held in memory, some 1 GB of them: our choice
_EXACT_WORK = 200_000_000  # pairs of sets and strings, about a second: our choice
_FAR = 2.0  # times the usual distance, from which a left-over cell is called unlike: our choice
_MIXED = 1.5  # largest over smallest capacity from which cells may be of several kinds: our choice


@dataclass(frozen=True, slots=True)
class String:
    """One string, cells in the order of the batch.

    Attributes:
        unlike_percent: root mean square distance of its cells from their mean, in % of charge.
        spread: of each quantity its lowest and highest reading; None: not measured.
    """

    cells: tuple[Cell, ...]
    unlike_percent: float
    spread: tuple[tuple[float, float] | None, ...]


@dataclass(frozen=True, slots=True)
class LeftOver:
    """A cell that is in no string, and why."""

    cell: Cell
    why: str


@dataclass(frozen=True, slots=True)
class Counted:
    """How a quantity counted.

    Attributes:
        measured: cells with a reading. told: share of the scatter that is the cells' own, not the tester's.
        percent_per_unit: % of charge for one unit of it.
    """

    quantity: str
    unit: str
    measured: int
    told: float
    percent_per_unit: float


@dataclass(frozen=True, slots=True)
class Matched:
    """What came out.

    Attributes:
        strings: the one with the most charge first. unlike_percent: as of a string, over all of them.
        proved: no arrangement is better by the criterion. bound_percent: what no arrangement can undercut.
        cost, bound: the criterion itself, in squared % of charge, and what no arrangement can undercut of it.
        counted: quantity by quantity. cautions: to be read before anybody solders.
    """

    strings: tuple[String, ...]
    left: tuple[LeftOver, ...]
    unlike_percent: float
    cost: float
    bound: float
    proved: bool
    counted: tuple[Counted, ...]
    cautions: tuple[str, ...]


def match(cells: Sequence[Cell], strings: int | None, size: int, assumed: Assumed | None = None) -> Matched:
    """Strings of `size` alike cells.

    Args:
        cells: all that are offered.
        strings: how many; None: as many as there are cells for.
        size: cells in series in each.
        assumed: what the costs rest on.

    Raises:
        InputError: too few cells, too many, or none that was measured.
        UsageError: no string of fewer than two.
    """
    if size < 2 or (strings is not None and strings < 1):
        raise UsageError("a string has two cells or more, and there is one string or more")
    fit = [c for c in cells if not c.barred and any(r is not None for r in c.readings)]
    count = len(fit) // size if strings is None else strings
    if count * size > len(fit) or not count:
        barred = f", of {len(cells)}" if len(cells) > len(fit) else ""
        raise InputError(
            f"{max(count, 1)} strings of {size} take {max(count, 1) * size} cells, and {len(fit)} can be used{barred}"
        )
    if len(fit) > _MOST_CELLS:
        raise InputError(f"{len(fit)} cells are more than {_MOST_CELLS}: give them in several batches")
    points = points_of(fit, assumed or Assumed(), size)
    proved = work(len(fit), count, size) <= _EXACT_WORK
    string = (exact if proved else search)(points.z, points.extra, count, size)
    return _told(cells, fit, points, string, proved)


def _told(cells: Sequence[Cell], fit: Sequence[Cell], points: Points, string: I64, proved: bool) -> Matched:
    count, used = int(string.max()) + 1, string >= 0
    size = int(used.sum()) // count
    cost = cost_of(points.z, points.extra, string)
    bound = cost if proved else lower_bound(points.z, points.extra, count, size)
    middle = np.stack([points.z[string == s].mean(axis=0) for s in range(count)])
    apart = ((points.z - middle[np.maximum(string, 0)]) ** 2).sum(axis=1)
    order = np.argsort(middle.sum(axis=1), kind="stable")  # what is lacking, all quantities together
    made = []
    for s in order:
        own = np.flatnonzero(string == s).tolist()
        members = tuple(fit[i] for i in own)
        made.append(String(members, float(np.sqrt(apart[own].mean())), _spread(members)))
    unlike = float(np.sqrt(apart[used].mean()))
    left = [LeftOver(fit[i], _why(points, i, middle, unlike)) for i in np.flatnonzero(~used).tolist()]
    usable = set(fit)
    unfit = [LeftOver(c, c.barred or "nothing of it was measured") for c in cells if c not in usable]
    # Rounding may put a cost that is the best under its bound.
    proved = proved or bound >= cost * (1.0 - 1e-9)
    return Matched(tuple(made), (*left, *unfit), unlike, cost, min(bound, cost), proved, _counted(fit, points),
                   _cautions(fit))  # fmt: skip


def _spread(cells: Sequence[Cell]) -> tuple[tuple[float, float] | None, ...]:
    columns = ([c.readings[k] for c in cells] for k in range(len(QUANTITIES)))
    known = [[r.value for r in column if r is not None] for column in columns]
    return tuple((min(v), max(v)) if v else None for v in known)


def _why(points: Points, cell: int, middle: NDArray[np.float64], unlike: float) -> str:
    """Why a cell stayed behind: what sets it apart from the string that is nearest to it, or nothing."""
    away = points.z[cell] - middle[np.argmin(((middle - points.z[cell]) ** 2).sum(axis=1))]
    k = int(np.argmax(np.abs(away)))
    if np.sqrt((away**2).sum()) <= _FAR * unlike:
        return "alike enough; more cells than are needed"
    way = "less" if away[k] * QUANTITIES[k].worse < 0.0 else "more"
    much = abs(away[k] / points.per_unit[k])
    q = QUANTITIES[k]
    return f"{q.word} {much:.{q.digits}f} {q.unit} {way} than the string nearest to it"


def _counted(fit: Sequence[Cell], points: Points) -> tuple[Counted, ...]:
    return tuple(
        Counted(q.key, q.unit, sum(c.readings[k] is not None for c in fit), float(points.told[k]),
                abs(float(points.per_unit[k])))
        for k, q in enumerate(QUANTITIES)
    )  # fmt: skip


def _cautions(fit: Sequence[Cell]) -> tuple[str, ...]:
    said = []
    ah = [c.readings[0].value for c in fit if c.readings[0] is not None]
    if ah and max(ah) > _MIXED * min(ah):
        said.append(
            f"capacities from {min(ah):g} to {max(ah):g} Ah: cells of several kinds, makers or ages do not belong into"
            " one string, however alike their figures"
        )
    return tuple(said)

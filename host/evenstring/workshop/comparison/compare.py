"""Two recordings of one pack side by side, group by group: did the repair do what it should?

A difference counts where it is outside its 95 % interval, widened for as many groups as are looked at (Bonferroni). Two
readings by one meter share its offsets, so that what a difference of departures leaves is noise; by two meters it is
not. Where one of the two was not held at its top, gaps in charge stand for the levels there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

from evenstring.errors import InputError
from evenstring.logbook.entry import Entry, entry_of
from evenstring.logbook.store.whose import own_id
from evenstring.report.material import Material
from evenstring.workshop.comparison.quantities import Quantity

__all__ = [
    "Change",
    "Compared",
    "Row",
    "compare",
    "differences",
    "proves_nothing",
    "refuse_other_number",
    "refuse_other_pack",
]

_LEVEL = 0.95  # of all intervals together: common practice
_OTHER_METER_MV = 1.0  # standard, of a group against the others, between two meters: common practice
_SAME_PERCENT = 5.0  # a resistance beside the median's moves by so much with warmth and charge: our choice
_FEW = 4  # groups, below which no pattern is told: our choice


@dataclass(frozen=True, slots=True)
class Change:
    """One quantity of one group, in its unit. Intervals hold for all groups together.

    Attributes:
        quantity: which.
        before: against the median group; `before_half`: half of its interval. after, after_half: likewise.
        low: of the change; by: the change; high.
    """

    quantity: Quantity
    before: float
    after: float
    before_half: float
    after_half: float
    low: float
    by: float
    high: float

    @property
    def clear(self) -> bool:
        """Whether it is beyond its interval."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True, slots=True)
class Row:
    """One group, from 1, and its changes: of what is known in both."""

    group: int
    changes: tuple[Change, ...]

    @property
    def clear(self) -> bool:
        """Whether anything of it changed beyond its interval."""
        return any(c.clear for c in self.changes)

    def of(self, quantity: Quantity) -> Change | None:
        """The change of one quantity; None: not known in one of the two."""
        return next((c for c in self.changes if c.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class Compared:
    """All groups, and what could not be compared.

    Attributes:
        rows: group by group.
        level_mv: departure up to which a group counts as level: half of the target for the whole string.
        other_pack: why these may be two packs; empty: nothing says so, or a person says that it is one.
        unproved: nothing says that it is one either.
    """

    rows: tuple[Row, ...]
    level_mv: float
    other_pack: tuple[str, ...]
    spread_mv: tuple[float | None, float | None]  # at the end of the charge
    verdicts: tuple[str, str]
    ended: tuple[str, str]  # how the last charge ended
    cautions: tuple[str, ...]
    unproved: bool = False


def refuse_other_pack(before: Material, after: Material) -> None:
    """No comparison of two different packs.

    Raises:
        InputError: number of groups, chemistry or name differ.
    """
    refuse_other_number(before, after)
    if told := differences(before, after):
        raise InputError(f"these are not two recordings of one pack: {told[0]}; --same-pack compares them all the same")


def refuse_other_number(before: Material, after: Material) -> None:
    """Nothing to put side by side, whatever anybody says.

    Raises:
        InputError: the numbers of groups differ.
    """
    a, b = before.session.groups, after.session.groups
    if a != b:
        raise InputError(
            f"groups {a} before, {b} after: they cannot be put side by side. Does one table lack a column, or hold one"
            " too many? Say what is a group by --map; else these are two packs: `evenstring report` tells of each"
        )


def differences(before: Material, after: Material) -> tuple[str, ...]:
    """In what the two say themselves that they are different packs."""
    pairs = (
        ("chemistry", before.profile.chemistry, after.profile.chemistry),
        ("name", before.profile.name, after.profile.name),
        ("string", before.session.ident.string_name, after.session.ident.string_name),
    )
    return tuple(f"{what} {a} before, {b} after" for what, a, b in pairs if a and b and a != b)


def proves_nothing(before: Material, after: Material) -> bool:
    """Whether no name, string or board that both have says that they are of one pack."""
    idents = before.session.ident, after.session.ident
    pairs = (
        (before.profile.name, after.profile.name),
        (idents[0].string_name, idents[1].string_name),
        (own_id(idents[0].board_id), own_id(idents[1].board_id)),
    )
    return not any(a and a == b for a, b in pairs)


def compare(before: Material, after: Material, *, same_pack: bool = False) -> Compared:
    """Group by group. Whether it is one pack is asked before (`refuse_other_pack`).

    Args:
        before: what was found in the first.
        after: and in the second.
        same_pack: a person says that they are of one pack.

    Raises:
        InputError: the numbers of groups differ.
    """
    refuse_other_number(before, after)
    a, b = entry_of(before), entry_of(after)
    one_meter = before.session.ident.board_id == after.session.ident.board_id
    z = NormalDist().inv_cdf(1.0 - (1.0 - _LEVEL) / 2.0 / a.groups)
    columns = tuple(_columns(a, b, 0.0 if one_meter else _OTHER_METER_MV))
    rows = tuple(Row(k + 1, tuple(_changes(k, z, columns))) for k in range(a.groups))
    return Compared(
        rows=rows,
        level_mv=after.found.balancing.target_mv / 2.0,
        other_pack=() if same_pack else (*differences(before, after), *_strange(rows)),
        unproved=not same_pack and proves_nothing(before, after),
        spread_mv=(a.spread_end_mv, b.spread_end_mv),
        verdicts=(a.action, b.action),
        ended=(a.ended, b.ended),
        cautions=tuple(_cautions(rows, a, b, one_meter)),
    )


@dataclass(frozen=True, slots=True)
class _Columns:
    """One quantity of all groups: values before and after, their standard uncertainties, and that between meters."""

    quantity: Quantity
    values: tuple[tuple[float | None, ...], tuple[float | None, ...]]
    u: tuple[float, float]
    between_u: float = 0.0


def _columns(a: Entry, b: Entry, other_meter_mv: float) -> Iterator[_Columns]:
    level = _Columns(
        "level", (a.departure_mv, b.departure_mv), _both(a.departure_sigma_mv, b.departure_sigma_mv), other_meter_mv
    )
    yield level
    if not _known(level):
        yield _Columns("charge", (a.charge_percent, b.charge_percent), _both(a.charge_sigma, b.charge_sigma))
    for quantity, (one, one_u), (two, two_u) in (
        ("capacity", (a.capacity, a.capacity_sigma), (b.capacity, b.capacity_sigma)),
        ("resistance", (a.resistance, a.resistance_sigma), (b.resistance, b.resistance_sigma)),
    ):
        u = _both(one_u, two_u)
        yield _Columns(quantity, (_percent(one), _percent(two)), (100.0 * u[0], 100.0 * u[1]))  # type: ignore[arg-type]


def _both(before: float | None, after: float | None) -> tuple[float, float]:
    return before or 0.0, after or 0.0


def _percent(ratios: tuple[float | None, ...]) -> tuple[float | None, ...]:
    return tuple(None if r is None else 100.0 * (r - 1.0) for r in ratios)


def _known(columns: _Columns) -> bool:
    """Whether any group has it in both."""
    return all(any(v is not None for v in values) for values in columns.values)


def _changes(group: int, z: float, columns: tuple[_Columns, ...]) -> Iterator[Change]:
    for one in columns:
        if not _known(one):
            continue
        before, after = one.values[0][group], one.values[1][group]
        if before is None or after is None:
            continue
        half = z * sqrt(one.u[0] ** 2 + one.u[1] ** 2 + 2.0 * one.between_u**2)
        by = after - before
        yield Change(one.quantity, before, after, z * one.u[0], z * one.u[1], by - half, by, by + half)


def _strange(rows: tuple[Row, ...]) -> list[str]:
    """No repair changes the cells of most groups at once, unless all of them are new."""
    known = [c for r in rows if (c := r.of("resistance")) is not None]
    changed = [c for c in known if c.clear and min(abs(c.low), abs(c.high)) > _SAME_PERCENT]
    if len(known) < _FEW or len(changed) <= len(known) / 2.0:
        return []
    return [f"{len(changed)} of {len(known)} groups changed their resistance: other cells, or another pack"]


def _cautions(rows: tuple[Row, ...], a: Entry, b: Entry, one_meter: bool) -> list[str]:
    there = {c.quantity for r in rows for c in r.changes}
    said = []
    if "level" not in there:
        instead = "gaps in charge stand for them" if "charge" in there else "how level the groups are is not compared"
        said.append(f"one of the two holds no charge to its held voltage, so levels there are not known: {instead}")
    if "capacity" not in there:
        said.append("capacities are not known in one of the two: record a ride below half, then a whole charge")
    if "resistance" not in there:
        said.append("one of the two holds no ride with the current, so resistances cannot be compared")
    if not one_meter:
        said.append("two meters: their own errors are in the intervals")
    if a.start_s is not None and b.start_s is not None and b.start_s < a.start_s:
        said.append("the recording given as the later one is the earlier: BEFORE comes first")
    return said

"""Two recordings of one pack side by side, group by group: did the repair do what it should?

A difference counts where it is outside its 95 % interval, widened for as many groups as are looked at (Bonferroni). Two
readings by one meter share its offsets, so that what a difference of departures leaves is noise; by two meters it is
not.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

from evenstring.errors import InputError
from evenstring.logbook.entry import Entry, entry_of
from evenstring.report.material import Material

__all__ = ["Compared", "Row", "compare", "differences", "refuse_other_pack"]

_LEVEL = 0.95  # of all intervals together: common practice
_OTHER_METER_MV = 1.0  # standard, of a group against the others, between two meters: common practice

_SAME_PERCENT = 5.0  # a resistance beside the median's moves by so much with warmth and charge: our choice
_FEW = 4  # groups, below which no pattern is told: our choice


@dataclass(frozen=True, slots=True)
class Row:
    """One group; None: not known in one of the two. Intervals hold for all groups together.

    Attributes:
        group: from 1.
        departure_mv: before and after, from the median group at the end of the charge. moved_mv: low, middle, high.
        resistance_percent: before and after, over the median group's. changed_percent: low, middle, high.
    """

    group: int
    departure_mv: tuple[float, float] | None
    moved_mv: tuple[float, float, float] | None
    resistance_percent: tuple[float, float] | None
    changed_percent: tuple[float, float, float] | None

    @property
    def clear(self) -> bool:
        """Whether anything of it changed beyond its interval."""
        return any(m is not None and (m[0] > 0.0 or m[2] < 0.0) for m in (self.moved_mv, self.changed_percent))


@dataclass(frozen=True, slots=True)
class Compared:
    """All groups, and what could not be compared.

    Attributes:
        rows: group by group.
        half_mv: half of the interval of a departure before and after; half_percent: of a resistance. None: not known.
        level_mv: departure up to which a group counts as level: half of the target for the whole string.
        other_pack: why these may be two packs; empty: nothing says so.
    """

    rows: tuple[Row, ...]
    half_mv: tuple[float | None, float | None]
    half_percent: tuple[float | None, float | None]
    level_mv: float
    other_pack: tuple[str, ...]
    spread_mv: tuple[float | None, float | None]  # at the end of the charge
    verdicts: tuple[str, str]
    cautions: tuple[str, ...]


def refuse_other_pack(before: Material, after: Material) -> None:
    """No comparison of two different packs.

    Raises:
        InputError: number of groups, chemistry or name differ.
    """
    if told := differences(before, after):
        raise InputError(f"these are not two recordings of one pack: {told[0]}; --same-pack compares them all the same")


def differences(before: Material, after: Material) -> tuple[str, ...]:
    """In what the two say themselves that they are different packs."""
    pairs = (
        ("groups", before.session.groups, after.session.groups),
        ("chemistry", before.profile.chemistry, after.profile.chemistry),
        ("name", before.profile.name, after.profile.name),
        ("string", before.session.ident.string_name, after.session.ident.string_name),
    )
    return tuple(f"{what} {a} before, {b} after" for what, a, b in pairs if a and b and a != b)


def compare(before: Material, after: Material) -> Compared:
    """Group by group. Whether it is one pack is asked before (`refuse_other_pack`).

    Raises:
        InputError: the numbers of groups differ.
    """
    a, b = entry_of(before), entry_of(after)
    if a.groups != b.groups:
        raise InputError(f"{a.groups} groups before and {b.groups} after cannot be put side by side")
    z = NormalDist().inv_cdf(1.0 - (1.0 - _LEVEL) / 2.0 / a.groups)
    one_meter = before.session.ident.board_id == after.session.ident.board_id
    u_mv = sqrt((a.departure_sigma_mv or 0.0) ** 2 + (b.departure_sigma_mv or 0.0) ** 2)
    u_mv = u_mv if one_meter else sqrt(u_mv**2 + 2.0 * _OTHER_METER_MV**2)
    u_r = 100.0 * sqrt((a.resistance_sigma or 0.0) ** 2 + (b.resistance_sigma or 0.0) ** 2)
    rows = tuple(_row(k, a, b, z * u_mv, z * u_r) for k in range(a.groups))
    return Compared(
        rows=rows,
        half_mv=(_half(z, a.departure_sigma_mv), _half(z, b.departure_sigma_mv)),
        half_percent=(_half(100.0 * z, a.resistance_sigma), _half(100.0 * z, b.resistance_sigma)),
        level_mv=after.found.balancing.target_mv / 2.0,
        other_pack=(*differences(before, after), *_strange(rows)),
        spread_mv=(a.spread_end_mv, b.spread_end_mv),
        verdicts=(a.action, b.action),
        cautions=tuple(_cautions(a, b, one_meter)),
    )


def _half(factor: float, sigma: float | None) -> float | None:
    return None if sigma is None else factor * sigma


def _strange(rows: tuple[Row, ...]) -> list[str]:
    """No repair changes the cells of most groups at once, unless all of them are new."""
    known = [r.changed_percent for r in rows if r.changed_percent is not None]
    changed = [c for c in known if min(abs(c[0]), abs(c[2])) > _SAME_PERCENT and c[0] * c[2] > 0.0]
    if len(known) < _FEW or len(changed) <= len(known) / 2.0:
        return []
    return [f"{len(changed)} of {len(known)} groups changed their resistance: other cells, or another pack"]


def _row(k: int, a: Entry, b: Entry, half_mv: float, half_percent: float) -> Row:
    away, ratio = (a.departure_mv[k], b.departure_mv[k]), (a.resistance[k], b.resistance[k])
    departure = moved = resistance = changed = None
    if away[0] is not None and away[1] is not None:
        departure, by = (away[0], away[1]), away[1] - away[0]
        moved = (by - half_mv, by, by + half_mv)
    if ratio[0] is not None and ratio[1] is not None:
        resistance = (100.0 * (ratio[0] - 1.0), 100.0 * (ratio[1] - 1.0))
        by = resistance[1] - resistance[0]
        changed = (by - half_percent, by, by + half_percent)
    return Row(k + 1, departure, moved, resistance, changed)


def _cautions(a: Entry, b: Entry, one_meter: bool) -> list[str]:
    said = []
    if not any(v is not None for v in a.departure_mv) or not any(v is not None for v in b.departure_mv):
        said.append("one of the two holds no charge to its held voltage, so places at the top cannot be compared")
    if not any(v is not None for v in a.resistance) or not any(v is not None for v in b.resistance):
        said.append("one of the two holds no ride with the current, so resistances cannot be compared")
    if not one_meter:
        said.append("two meters: their own errors are in the intervals")
    if a.start_s is not None and b.start_s is not None and b.start_s < a.start_s:
        said.append("the recording given as the later one is the earlier: BEFORE comes first")
    return said

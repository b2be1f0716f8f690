"""Which columns are the groups. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from evenstring.errors import InputError
from evenstring.io.table.guess.plan import Column
from evenstring.io.table.guess.sample import Sample

__all__ = ["Found", "find_groups", "find_long", "volt_scale"]

_CELL_V = (0.3, 6.6)  # what a cell's voltage may be, at either end with room; beyond it the unit is another
_USUAL_V = (1.5, 4.7)  # of the 4.2 V chemistries, LFP and LTO; common practice


@dataclass(frozen=True, slots=True)
class Found:
    """Columns of the groups, and what is to be said about them."""

    columns: tuple[Column, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Family:
    """Columns whose names differ by their number only."""

    stem: str
    unit: str | None
    members: dict[int, int]  # number to column
    scale: float
    level_v: float
    liking: float


def volt_scale(level: float, unit: str | None) -> float:
    """What numbers of this size are multiplied with to be a cell's volts; the size goes before the unit."""
    if unit == "mV" and not level < 10:
        return 1e-3
    if unit == "V" and not level > 100:
        return 1.0
    if level > 8_000:
        return 1e-4
    return 1e-3 if level > 100 else 1.0


def find_groups(sample: Sample, free: Iterable[int], wanted: set[int], where: str, unit: str | None) -> Found | None:
    """The columns of the groups `wanted`, or None where there is no family of them.

    Raises:
        InputError: a family has other numbers than the pack, or two families could be the groups.
    """
    free = list(free)
    families = _families(sample, free, where, unit)
    whole = [(family, base) for family in families for base in (1, 0) if _covers(sample, family, wanted, base)]
    if whole:
        whole.sort(key=lambda pair: -pair[0].liking)
        best, base = whole[0]
        rivals = [f for f, _ in whole[1:] if f is not best and f.liking == best.liking]
        if rivals:
            raise InputError(
                f"{where}: both {_called(sample, best)} and {_called(sample, rivals[0])} could be the groups; say which"
                f' with --map "{sample.shown[min(best.members.values())]}=g{min(wanted)},..."'
            )
        return _found(sample, best, base, wanted, unit)
    by_values = _by_values(sample, free, wanted, unit)
    if by_values is None and families:
        _refuse(sample, max(families, key=lambda f: (f.liking >= 2, len(f.members))), wanted, where)
    return by_values


def _families(sample: Sample, free: list[int], where: str, unit: str | None) -> list[_Family]:
    by_name: dict[tuple[str, str | None], dict[int, int]] = defaultdict(dict)
    for k in free:
        name = sample.names[k]
        if name.number is None or name.says("date"):
            continue
        members = by_name[name.stem, name.unit]
        if name.number in members:
            raise InputError(
                f"{where}: columns {members[name.number] + 1} and {k + 1} are both {sample.shown[k]!r} (or differ in"
                ' spelling only): rename one, or leave one out with --map "#'
                f'{k + 1}=-"'
            )
        members[name.number] = k
    families = []
    for (stem, own_unit), members in by_name.items():
        levels = [sample.level(k) for k in members.values()]
        level = float(np.nanmedian(levels)) if np.isfinite(levels).any() else float("nan")
        scale = volt_scale(level, unit or own_unit)
        level_v = level * scale
        liking = _liking(sample, members, level_v, own_unit)
        if liking > 0 and len(members) > 1 - (liking >= 3):
            families.append(_Family(stem, own_unit, members, scale, level_v, liking))
    return families


def _liking(sample: Sample, members: dict[int, int], level_v: float, unit: str | None) -> float:
    name = sample.names[min(members.values())]
    if not _CELL_V[0] <= level_v <= _CELL_V[1] and not (name.says("group") and not level_v > _CELL_V[1]):
        return 0.0
    if unit not in (None, "V", "mV") or name.says("temp") or name.says("other") or name.says("current"):
        return 0.0
    usual = _USUAL_V[0] <= level_v <= _USUAL_V[1]
    return 1.0 + usual + name.says("group") + (unit is not None) * 0.5


def _covers(sample: Sample, family: _Family, wanted: set[int], base: int) -> bool:
    numbers = {number + 1 - base for number in family.members}
    if numbers == wanted:
        return True
    more = numbers - wanted
    return wanted < numbers and all(_is_blank(sample, family.members[n - 1 + base]) for n in more)


def _is_blank(sample: Sample, column: int) -> bool:
    """Nothing but empty cells and zeros: an input of the instrument that nothing is connected to."""
    return not sample.finite(column).any()


def _found(sample: Sample, family: _Family, base: int, wanted: set[int], unit: str | None) -> Found:
    notes = []
    columns = []
    for number in sorted(wanted):
        k = family.members[number - 1 + base]
        scale = volt_scale(sample.level(k), unit or family.unit) if np.isfinite(sample.level(k)) else family.scale
        values = np.abs(sample.finite(k)) * scale
        alike = bool((values[values > 0] > _CELL_V[0]).all())  # one stray number does not change a column's unit
        if scale != family.scale and alike and not 0.1 < sample.level(k) * family.scale < _CELL_V[1]:
            notes.append(
                f"{sample.shown[k]} is not in the unit of the other groups: taken as such; overrule with --unit "
                f"g=V or g=mV"
            )
        else:
            scale = family.scale
        columns.append(Column(k, sample.shown[k], "group", number, scale))
    if base == 0:
        notes.append(f"numbers begin at 0: {columns[0].name} is group 1")
    said = {"mV": 1e-3, "V": 1.0}.get(unit or family.unit or "")
    if said is not None and said != family.scale:
        notes.append(
            f"groups are named in {unit or family.unit}, their size says otherwise ({family.level_v:.3g} V taken)"
        )
    return Found(tuple(columns), tuple(notes))


def _by_values(sample: Sample, free: list[int], wanted: set[int], unit: str | None) -> Found | None:
    """Columns of a cell's voltage without a number in their names, exactly as many as wanted, side by side."""
    scale = {"V": 1.0, "mV": 1e-3}.get(unit or "")
    like = []
    for k in free:
        if sample.names[k].number is not None or not sample.is_numeric(k):
            continue
        name, level = sample.names[k], sample.level(k)
        own = scale or volt_scale(level, name.unit)
        other = any(name.says(role) for role in ("time", "date", "current", "temp", "pack", "other", "index"))
        if not other and name.unit in (None, "V", "mV") and _USUAL_V[0] <= level * own <= _USUAL_V[1]:
            like.append((k, own))
    if len(like) != len(wanted) or like[-1][0] - like[0][0] != len(like) - 1 or len(wanted) < 2:
        return None
    columns = tuple(
        Column(k, sample.shown[k], "group", number, own) for number, (k, own) in zip(sorted(wanted), like, strict=True)
    )
    return Found(
        columns, ("groups have no numbers in their names: taken in the order of the columns; overrule with --map",)
    )


def _refuse(sample: Sample, family: _Family, wanted: set[int], where: str) -> None:
    numbers = sorted(family.members)
    missing, more = sorted(wanted - set(numbers)), sorted(set(numbers) - wanted)
    called = _called(sample, family)
    if more and not missing:
        first = sample.shown[family.members[more[0]]]
        raise InputError(
            f"{where}: has a column {first}, but the pack has {max(wanted)} groups ({called} are there); correct one"
        )
    gone = ", ".join(str(n) for n in missing[:6]) + (" …" if len(missing) > 6 else "")
    raise InputError(
        f"{where}: {len(numbers)} columns look like groups ({called}), the pack has {max(wanted)}: number {gone} is"
        ' missing; correct the number of groups, or name the columns with --map "NAME=g1,..."'
    )


def _called(sample: Sample, family: _Family) -> str:
    names = [sample.shown[family.members[n]] for n in sorted(family.members)]
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


def find_long(sample: Sample, free: Iterable[int], groups: int, unit: str | None) -> Found | None:
    """The columns "which group" and "volts" of a table with one row a reading, or None."""
    free = list(free)
    ids = [k for k in free if _is_id(sample, k, groups)]
    ids.sort(key=lambda k: -sample.names[k].says("group"))
    if not ids:
        return None
    volts = []
    for k in free:
        name, level = sample.names[k], sample.level(k)
        scale = volt_scale(level, unit or name.unit)
        other = any(name.says(role) for role in ("time", "current", "temp", "pack", "other", "index"))
        if k not in ids and sample.is_numeric(k) and not other and _USUAL_V[0] <= level * scale <= _USUAL_V[1]:
            volts.append((k, scale))
    if len(volts) != 1:
        return None
    (k, scale), which = volts[0], ids[0]
    base = 0 if min(id_numbers(sample.filled(which))) == 0 else 1
    notes = ("numbers of the groups begin at 0: 0 is group 1",) if base == 0 else ()
    return Found((Column(which, sample.shown[which], "id", base), Column(k, sample.shown[k], "volts", 0, scale)), notes)


def id_numbers(cells: Iterable[str]) -> set[int]:
    """Numbers of groups in cells like "7", "7.0", "Cell 7"; -1 for one without."""
    return {id_number(cell) for cell in set(cells)}


def id_number(cell: str) -> int:
    """The number of a group in a cell; -1 where there is none."""
    bare = cell.strip().removesuffix(".0")
    digits = "".join(c if c.isdecimal() else " " for c in bare).split()
    return int(digits[-1]) if digits and len(digits[-1]) < 6 and "." not in bare and ":" not in bare else -1


def _is_id(sample: Sample, column: int, groups: int) -> bool:
    name, cells = sample.names[column], sample.filled(column)
    if not cells or any(name.says(role) for role in ("time", "date", "temp", "current", "other")):
        return False
    found = id_numbers(cells)
    if name.says("group"):  # a stray one is refused later, with its line
        usual = {number for number in found if number <= groups}
        stray = sum(id_number(cell) not in usual for cell in cells)
        found = usual if usual and stray < 0.2 * len(cells) else found
    low, high = min(found), max(found)
    many = len(cells) >= 2 * len(found) and len(found) >= min(2, groups)
    return (
        low >= 0
        and many
        and high <= groups
        and high - low < groups
        and len(found) >= min(groups, 2)
        and (name.says("group") or len(found) == groups)
    )

"""From a sample of rows to a plan: which column is what. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from evenstring.errors import InputError
from evenstring.io.table.guess.groups import Found, find_groups, find_long, volt_scale
from evenstring.io.table.guess.layout import guess_layout
from evenstring.io.table.guess.plan import Column, Plan, Wishes
from evenstring.io.table.guess.quantities import (
    current_column,
    current_scale,
    ignored_columns,
    pack_column,
    temperature_columns,
)
from evenstring.io.table.guess.sample import Sample, take_sample
from evenstring.io.table.guess.times import find_times
from evenstring.text import plain

__all__ = ["guess_plan"]

_SHOWN = 12  # columns of a refused table that are shown: our choice
_LOW_V, _HIGH_V = 1.5, 4.5  # between which a group's usual volts lie, whatever its chemistry: our choice
_ROLE = re.compile(r"t|date|g[1-9]\d?|[-+]?current|temp[1-8]|pack|group|volts|-")


def guess_plan(
    head: Sequence[str], tail: Sequence[str], groups: int, where: str, now: datetime, wishes: Wishes | None = None
) -> Plan:
    """Make a plan for a table.

    Args:
        head: its first lines.
        tail: its last lines; empty where `head` holds all.
        groups: of the pack.
        where: the file's name, for messages.
        now: nothing was measured later.
        wishes: what the user says.

    Raises:
        InputError: with line and column, what is missing or open, and what to do.
    """
    wishes = wishes or Wishes()
    layout = guess_layout(head, where)
    sample = take_sample(layout, head, tail)
    fixed, out = _fixed(sample, wishes, groups, where)
    free = [k for k in range(layout.width) if k not in fixed.values() and k not in out]
    notes: list[str] = []

    readings, free = _readings(sample, free, fixed, groups, wishes, where)
    notes += readings.notes
    times = find_times(sample, free, {r: k for r, k in fixed.items() if r in ("t", "date")}, wishes, where, now)
    notes += times.notes
    taken = [*readings.columns, *times.columns]
    free = [k for k in free if k not in {c.index for c in taken}]

    more, note, sign_given = _quantities(sample, free, fixed, taken, wishes, groups)
    taken += more
    notes += [note] if note else []
    rest = [k for k in range(layout.width) if k not in {c.index for c in taken}]
    taken += [Column(k, sample.shown[k], "ignored", why="left out as told") for k in rest if k in out]
    taken += ignored_columns(sample, [k for k in rest if k not in out])
    if not layout.names:
        notes.append(
            'the table names no columns: roles were taken from the values; overrule with --map "#1=t,#2=g1,..."'
        )
    return Plan(
        where=where,
        layout=layout,
        columns=tuple(taken),
        groups=groups,
        time=times.form,
        start_form=times.start_form,
        sign_given=sign_given,
        in_turn=_in_turn(sample, readings, times.columns[-1].index),
        wishes=wishes,
        notes=tuple(notes),
    )


def _fixed(sample: Sample, wishes: Wishes, groups: int, where: str) -> tuple[dict[str, int], set[int]]:
    """Columns whose role the user gave, and those left out."""
    fixed: dict[str, int] = {}
    out: set[int] = set()
    for name, role in wishes.roles.items():
        k = _column(sample, name, where)
        if not _ROLE.fullmatch(role):
            raise InputError(
                f"--map {name}={role}: roles are t, date, g1 to g{groups}, current, -current, temp1, pack, "
                f"group, volts and -"
            )
        if role == "-":
            out.add(k)
        elif role.startswith("g") and role != "group" and int(role[1:]) > groups:
            raise InputError(f"--map {name}={role}: the pack has {groups} groups; correct one")
        elif role in fixed:
            raise InputError(f"--map gives {role} to two columns ({sample.shown[fixed[role]]} and {name}); remove one")
        else:
            fixed[role] = k
    return fixed, out


def _column(sample: Sample, name: str, where: str) -> int:
    if re.fullmatch(r"#\d+", name) and name not in sample.shown:
        k = int(name[1:]) - 1
        if 0 <= k < len(sample.shown):
            return k
    exact = [k for k, shown in enumerate(sample.shown) if shown.strip() == name.strip()]
    like = exact or [k for k, shown in enumerate(sample.shown) if shown.strip().lower() == name.strip().lower()]
    if len(like) == 1:
        return like[0]
    have = ", ".join(sample.shown[:8]) + (" …" if len(sample.shown) > 8 else "")
    what = "no column is" if not like else "several columns are"
    raise InputError(f'{where}: {what} named {name!r} (--map); there are {have}; or say "#3" for the third')


def _readings(
    sample: Sample, free: list[int], fixed: dict[str, int], groups: int, wishes: Wishes, where: str
) -> tuple[Found, list[int]]:
    """Columns of the groups, or of group and volts in a long table; and the columns left."""
    unit = wishes.units.get("g")
    if "group" in fixed or "volts" in fixed:
        like = [fixed[r] for r in ("group", "volts") if r in fixed]
        if len(like) < 2:
            raise InputError(
                f"{where}: a table with one row a reading needs both roles, group and volts; complete --map"
            )
        k = like[1]
        scale = volt_scale(sample.level(k), unit or sample.names[k].unit)
        base = 0 if "0" in {c.strip() for c in sample.filled(like[0])} else 1
        pair = (Column(like[0], sample.shown[like[0]], "id", base), Column(k, sample.shown[k], "volts", 0, scale))
        return Found(pair), free
    given = {int(role[1:]): k for role, k in fixed.items() if re.fullmatch(r"g\d+", role)}
    own = tuple(
        Column(k, sample.shown[k], "group", n, volt_scale(sample.level(k), unit or sample.names[k].unit))
        for n, k in given.items()
    )
    wanted = set(range(1, groups + 1)) - set(given)
    if not wanted:
        return Found(own), free
    long = find_long(sample, free, groups, unit) if not own else None
    try:
        found = find_groups(sample, free, wanted, where, unit)
    except InputError:
        if long is None:
            raise
        found = None
    chosen = found or long
    if chosen is None:
        raise InputError(_no_groups(sample, free, min(wanted), groups, where))
    used = {c.index for c in chosen.columns}
    return Found(own + chosen.columns, chosen.notes), [k for k in free if k not in used]


def _no_groups(sample: Sample, free: list[int], first: int, groups: int, where: str) -> str:
    """What the table has instead, and how its groups are named by hand."""
    called = [name.text or f"#{k + 1}" for k, name in enumerate(sample.names)]
    seen = [f"{plain(called[k], 40)} ({next(iter(sample.filled(k)), 'empty')[:12]} ...)" for k in range(len(called))]
    more = f", and {len(seen) - _SHOWN} more" if len(seen) > _SHOWN else ""
    other = [k for k in free if not np.all(np.diff(sample.finite(k)) > 0)]  # what only rises is a time
    like = [k for k in other if _LOW_V <= sample.level(k) <= _HIGH_V]
    count = f" {len(like)} of them may hold volts of a group: is it --groups {len(like)}?" if len(like) > 1 else ""
    example = ",".join(f"{plain(called[k], 40)}=g{first + n}" for n, k in enumerate((like or other or [0])[:2]))
    return (
        f"{where}: line 1: no columns of {groups} groups found. It has: {', '.join(seen[:_SHOWN])}{more}.{count} Name"
        f' them g1 to g{groups}, or say which they are: --map "{example},..."'
    )


def _quantities(
    sample: Sample, free: list[int], fixed: dict[str, int], taken: list[Column], wishes: Wishes, groups: int
) -> tuple[list[Column], str, bool]:
    """Current, pack voltage, temperatures: as told, else as found; a note; whether the current's sign was told."""
    found: list[Column] = []
    note, sign_given = "", False
    told = [role for role in ("current", "-current", "+current") if role in fixed]
    if told:
        k = fixed[told[0]]
        scale, note = current_scale(sample, k, wishes.units.get("current"))
        found.append(Column(k, sample.shown[k], "current", 0, -scale if told[0] == "-current" else scale))
        sign_given = told[0] != "current"
    else:
        current, note = current_column(sample, free, wishes)
        found += [current] if current else []
    free = [k for k in free if k not in {c.index for c in found}]
    volts = [c for c in taken if c.role in ("group", "volts")]
    sum_v = sum(sample.level(c.index) * c.scale for c in volts) * (groups if volts[0].role == "volts" else 1)
    pack = fixed.get("pack")
    one = pack_column(sample, free if pack is None else [pack], sum_v, wishes)
    if pack is not None and one is None:
        one = Column(pack, sample.shown[pack], "pack", 1, 1e-3 if sample.level(pack) > 650 else 1.0)
    found += [one] if one else []
    free = [k for k in free if k not in {c.index for c in found}]
    by_hand = [fixed[role] for role in sorted(fixed) if role.startswith("temp")]
    temps = temperature_columns(sample, free, wishes)
    mine = [Column(k, sample.shown[k], "temp", place) for place, k in enumerate(by_hand, start=1)]
    found += mine or temps
    return found, note, sign_given


def _in_turn(sample: Sample, readings: Found, time: int) -> bool:
    """Whether the readings of a long table have a time each."""
    if readings.columns[0].role != "id":
        return False
    cells = sample.cells[time]
    return len(set(cells)) > 0.7 * len(cells)

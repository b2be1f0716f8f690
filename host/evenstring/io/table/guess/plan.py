"""How a table will be read: immutable, and printable so that whoever gave the table can check and overrule it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from evenstring.io.table.guess.clock import TimeForm
from evenstring.io.table.guess.layout import Layout
from evenstring.text import plain

__all__ = ["Column", "Plan", "Wishes"]


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the user says about a table; empty: nothing.

    Attributes:
        roles: name of a column, or "#3" for the third, to its role: t, date, g7, current, -current, temp1, pack, group,
            volts, or - to leave it out.
        units: role (t, g, current, temp, pack) to a unit.
        start: time of day of the first row.
        zone: of times of day that do not say theirs ("Europe/Vienna", "+02:00").
        day_first: how to read 03/04/2024.
    """

    roles: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    start: datetime | None = None
    zone: str = ""
    day_first: bool | None = None


@dataclass(frozen=True, slots=True)
class Column:
    """One column and what it was taken for.

    Attributes:
        index: place in a row, from 0. name: as in the table, or "column 3" where it has none.
        role: time, date, start, group, current, temp, pack, id (long tables), volts (long tables), ignored.
        number: of the group or the temperature, from 1; 0 else.
        scale: what its numbers are multiplied with to be volts, amperes (negative: the sign is turned) or deg C.
        offset: added after that.
        why: what was taken it for what, in words; for an ignored one the reason.
    """

    index: int
    name: str
    role: str
    number: int = 0
    scale: float = 1.0
    offset: float = 0.0
    why: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """All that is needed to read every row.

    Attributes:
        time: form of the time column; `start_form`: form of a second one, whose first row tells the time of day.
        turned: the user said which sign of the current is charging; None: found from the cells' reaction.
        notes: what was guessed and could be otherwise, with how to overrule it.
    """

    where: str
    layout: Layout
    columns: tuple[Column, ...]
    groups: int
    time: TimeForm
    start_form: TimeForm | None = None
    sign_given: bool = False
    in_turn: bool = False  # a long table whose groups have a time each
    wishes: Wishes = field(default_factory=Wishes)
    notes: tuple[str, ...] = ()

    def of(self, role: str) -> tuple[Column, ...]:
        """The columns of a role, by number."""
        return tuple(sorted((c for c in self.columns if c.role == role), key=lambda c: (c.number, c.index)))

    @property
    def is_long(self) -> bool:
        """One row a reading, not one row a scan."""
        return bool(self.of("id"))

    def lines(self) -> list[str]:
        """The plan in words, a line each."""
        said = [self.layout.words(), f"{_names(self.of('date') + self.of('time'))}: {self.time.words()}"]
        if start := self.of("start"):
            said.append(f"{_names(start)}: time of day of the first row")
        for role, what in (("group", f"groups 1 to {self.groups}, from pack negative"), ("id", "number of the group")):
            if columns := self.of(role):
                said.append(f"{_names(columns)}: {what}{_unit(columns, 'V')}")
        for role, what, unit in (
            ("volts", "voltage of that group", "V"),
            ("current", "current", "A"),
            ("temp", "temperature", "deg C"),
            ("pack", "pack voltage", "V"),
        ):
            said += [f"{_names((column,))}: {what}{_unit((column,), unit)}" for column in self.of(role)]
        ignored = self.of("ignored")
        said += [f"{_names((column,))}: not used ({column.why})" for column in ignored[:20]]
        if len(ignored) > 20:
            said.append(f"and {len(ignored) - 20} more columns not used")
        return [*said, *(f"note: {note}" for note in self.notes)]


def _names(columns: tuple[Column, ...]) -> str:
    shown = [plain(column.name, 40) for column in columns]
    return " + ".join(shown) if len(shown) < 4 else f"{shown[0]} … {shown[-1]}"


def _unit(columns: tuple[Column, ...], unit: str) -> str:
    if columns[0].role == "id":
        return ""
    scales = {abs(column.scale) for column in columns}
    if len(scales) > 1:
        return ", in units that differ"
    scale = scales.pop()
    if columns[0].offset:
        return ", turned from deg F" if abs(scale - 5 / 9) < 1e-9 else ", turned from K"
    return f", in {unit}" if scale == 1.0 else f", in m{unit}" if scale == 1e-3 else f", in {scale:g} {unit}"

"""Tables written by hand at the bench: what a hand meter showed, one reading a line, under a line of names.

Any separator, either decimal mark, volts or millivolts, a workbook or text of any encoding. A name counts in the usual
spellings; what cannot be used is refused with line, column and what to do.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenstring.errors import InputError
from evenstring.io.table.guess.cells import MISSING, number
from evenstring.io.table.guess.groups import id_number, volt_scale
from evenstring.io.table.guess.layout import split_line
from evenstring.io.table.guess.names import Name, looks_like_unit, parse_name
from evenstring.io.table.text import open_table
from evenstring.text import plain

__all__ = ["HandRow", "HandTable", "by_place", "parse_hand_table", "read_hand_table"]

_SEPARATORS = (";", "\t", ",", "|", " ")
# Role: names of its columns without their units; common practice.
_NAMES = {
    "group": "group groups cell cells g c zelle zellen gruppe cellule celda cella cel groep gruppo",
    "tap": "tap taps lead leads abgriff",
    "pin": "pin pins",
    "volts": "volts volt v mv voltage reading value meter reference ref dmm spannung tension wert messwert u",
    "u": "u uncertainty unsicherheit",
    "start": "start from begin von de",
    "end": "end to until stop bis",
    "at": "at time t zeit",
}
_ROLES = {role: frozenset(words.split()) for role, words in _NAMES.items()}
_PLACES = ("group", "tap", "pin")
_WITH_UNIT = re.compile(r"(.*\d[.,]?) ?(m?V)")
_CLOCK = re.compile(r"(\d{1,4}):([0-5]\d):([0-5]\d(?:[.,]\d+)?)")
_DECIMALS = re.compile(r"[.,](\d+)")
_EMPTY = "leave the cell empty where nothing was measured"


@dataclass(frozen=True, slots=True)
class HandRow:
    """One reading. None: the cell is empty, or there is no such column.

    Attributes:
        line: in the file, from 1.
        place: group from 1, or tap from 0.
        u_v: standard uncertainty.
        start_s, end_s: from when to when it holds; both the same where one moment is told.
    """

    line: int
    place: int
    volts_v: float
    u_v: float | None = None
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class HandTable:
    """Readings in the order of the file.

    Attributes:
        digit_v: the last digit that any of them was written with.
        unused: names of the columns that nothing was taken from.
    """

    where: str
    by_group: bool
    rows: tuple[HandRow, ...]
    digit_v: float
    unused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Head:
    """The line of names: which column is what."""

    line: int  # from 0
    separator: str
    names: tuple[Name, ...]
    columns: Mapping[str, int]

    def called(self, role: str) -> str:
        """The column's name as in the file."""
        return plain(self.names[self.columns[role]].text, 40)

    def unit(self, role: str) -> str | None:
        """Its unit, where the name says one."""
        name = self.names[self.columns[role]]
        return "mV" if name.stem == "mv" else "V" if name.stem in ("v", "volts", "volt") else name.unit


def read_hand_table(path: Path, needs: str) -> HandTable:
    """The table in a file.

    Args:
        path: of a text or a workbook.
        needs: the columns to ask for in a refusal, in words.

    Raises:
        InputError: with line and column, what cannot be used.
    """
    with open_table(path, needs) as text:
        if text.tail:
            raise InputError(f"{text.where}: is too long for hand-meter readings; is it a recording? It needs {needs}")
        return parse_hand_table(text.head, text.where, needs)


def parse_hand_table(lines: Sequence[str], where: str, needs: str) -> HandTable:
    """The table in lines of text; as `read_hand_table`."""
    head = _head(lines, where, needs)
    cells = _rows(lines, head, where)
    decimal = _decimal(cells, where)
    place = next(role for role in _PLACES if role in head.columns)
    rows: list[tuple[HandRow, str | None]] = []
    digits = []
    for line, row in cells:
        said = {role: _bare(row[k]) if k < len(row) else "" for role, k in head.columns.items()}
        at = f"{where}: line {line}: column"
        if said["volts"].lower() in MISSING:
            continue
        volts, unit = _volts(said["volts"], decimal, f"{at} {head.called('volts')}")
        digits.append(10.0 ** -len((_DECIMALS.search(said["volts"]) or ("", ""))[1]))
        times = [_time(said.get(role, ""), decimal, f"{at} {role}") for role in ("start", "end", "at")]
        start, end = times[0] if times[0] is not None else times[2], times[1] if times[1] is not None else times[2]
        u = _optional(said.get("u", ""), decimal, f"{at} {head.called('u') if 'u' in said else ''}")
        where_on = _place(said[place], f"{at} {head.called(place)}") - (place == "pin")
        rows.append((HandRow(line, where_on, volts, u, start, end), unit))
    if not rows:
        raise InputError(f"{where}: line {head.line + 2}: no readings below the names; write one a line")
    return _scaled(rows, min(digits), head, place, where)


def by_place(table: HandTable) -> dict[int, float]:
    """Volts by group or tap, where each is measured once.

    Raises:
        InputError: one is there twice.
    """
    lines: dict[int, int] = {}
    for row in table.rows:
        if row.place in lines:
            what = "group" if table.by_group else "tap"
            raise InputError(
                f"{table.where}: line {row.line}: {what} {row.place} is in line {lines[row.place]} already; remove one"
            )
        lines[row.place] = row.line
    return {row.place: row.volts_v for row in table.rows}


def _head(lines: Sequence[str], where: str, needs: str) -> _Head:
    """The first line that names a place and volts."""
    for number_, line in enumerate(lines):
        for separator in _SEPARATORS:
            names = tuple(parse_name(cell.lstrip("# ")) for cell in split_line(line, separator))
            columns = _columns(names)
            if "volts" in columns and any(place in columns for place in _PLACES):
                return _Head(number_, separator, names, columns)
    first = next((line for line in lines if line.strip()), "")
    raise InputError(f"{where}: line 1 is {plain(first, 60)!r}; the table needs a line of names: {needs}")


def _columns(names: Sequence[Name]) -> dict[str, int]:
    found: dict[str, int] = {}
    for k, name in enumerate(names):
        stem = name.stem or (name.unit or "").lower()
        for role, words in _ROLES.items():
            if role not in found and k not in found.values() and stem in words and name.number is None:
                # "U" is a voltage in some languages, and an uncertainty beside another voltage.
                if role == "volts" and stem == "u" and any(n.stem in _ROLES["volts"] - {"u"} for n in names):
                    continue
                found[role] = k
    return found


def _rows(lines: Sequence[str], head: _Head, where: str) -> list[tuple[int, list[str]]]:
    """Cells of the lines below the names, with the line's number from 1."""
    rows: list[tuple[int, list[str]]] = []
    for k, line in enumerate(lines[head.line + 1 :], start=head.line + 2):
        cells = split_line(line, head.separator)
        if not line.strip(" \t,;|") or line.lstrip().startswith("#"):
            continue
        if not rows and all(looks_like_unit(cell) for cell in cells):
            continue  # units in a line of their own: volts are told by their size
        if len([c for c in cells if c.strip()]) > len(head.names):
            why = "is a decimal comma also the separator? Part the columns by ; or write decimal points"
            raise InputError(f"{where}: line {k}: {len(cells)} cells below {len(head.names)} names: {why}")
        rows.append((k, cells))
    return rows


def _decimal(rows: Sequence[tuple[int, list[str]]], where: str) -> str:
    """The mark that all numbers use; of two, one could stand for thousands, and 3.912 V be taken for 3912."""
    first = {mark: next((line for line, row in rows if any(mark in c for c in row)), None) for mark in ",."}
    if first[","] is not None and first["."] is not None:
        why = "decimal comma and decimal point in one table; write all numbers with one of them"
        raise InputError(f"{where}: line {max(first[','], first['.'])}: {why}")
    return "." if first[","] is None else ","


def _bare(cell: str) -> str:
    """Without blanks around it, and with the minus that numbers are read with."""
    return cell.strip().replace("\N{MINUS SIGN}", "-")


def _volts(cell: str, decimal: str, at: str) -> tuple[float, str | None]:
    """A number and the unit behind it, if any."""
    with_unit = _WITH_UNIT.fullmatch(cell)
    value = _optional(with_unit[1] if with_unit else cell, decimal, at)
    return (0.0 if value is None else value), (with_unit[2] if with_unit else None)


def _optional(cell: str, decimal: str, at: str) -> float | None:
    if cell.lower() in MISSING:
        return None
    try:
        value = number(cell, decimal)
    except ValueError:
        value = math.inf
    if not math.isfinite(value):
        raise InputError(f"{at}: {plain(cell, 30)!r} is no number; {_EMPTY}")
    return value


def _time(cell: str, decimal: str, at: str) -> float | None:
    """Seconds of the recording, or hours:minutes:seconds of it."""
    if clock := _CLOCK.fullmatch(cell):
        hours, minutes, seconds = clock.groups()
        return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds.replace(",", "."))
    return _optional(cell, decimal, f"{at} (seconds of the recording, or h:mm:ss)")


def _place(cell: str, at: str) -> int:
    found = id_number(cell)
    if found < 0:
        raise InputError(f"{at}: {plain(cell, 30)!r} is no number of a place; write 1, 2, 3 ...")
    return found


def _scaled(rows: Sequence[tuple[HandRow, str | None]], digit: float, head: _Head, place: str, where: str) -> HandTable:
    """In volts: by the units that are named, and by size where none is or it cannot be."""
    by_group = place == "group"
    named = next((unit for _, unit in rows if unit), None) or head.unit("volts")
    per_group = [abs(r.volts_v) / (1 if by_group else r.place) for r, _ in rows if by_group or r.place > 0]
    scale = volt_scale(float(np.median(per_group or [0.0])), named if named in ("V", "mV") else None)
    own_u = head.unit("u") if "u" in head.columns else None
    u_scale = {"mV": 1e-3, "V": 1.0}.get(own_u or "", scale)
    made = []
    for row, unit in rows:
        volts_v = row.volts_v * ({"mV": 1e-3, "V": 1.0}[unit] if unit else scale)
        u_v = None if row.u_v is None else row.u_v * u_scale
        if u_v is not None and u_v <= 0:
            raise InputError(f"{where}: line {row.line}: column {head.called('u')} must be above 0")
        made.append(HandRow(row.line, row.place, volts_v, u_v, row.start_s, row.end_s))
    used = head.columns.values()
    unused = tuple(plain(n.text, 40) for k, n in enumerate(head.names) if k not in used and n.text.strip())
    return HandTable(where, by_group, tuple(made), digit * scale, unused)

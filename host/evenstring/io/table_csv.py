"""A table of numbers in, frames out: columns t_s, g1..gN in volts, optional current_a (charging positive), temp1_c...

An empty cell is a reading that was not taken. Anything else that is not a finite number is refused with its place.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenstring import __version__
from evenstring.errors import InputError
from evenstring.profile import PackProfile, to_toml
from evenstring.wire.encode import Counter, ScanValues, message, scan_frames, volts_to_steps
from evenstring.wire.table import load_table

__all__ = ["Table", "read_table", "table_frames"]

F64 = NDArray[np.float64]

_EMPTY = re.compile(r"(?<=,)(?=[,\r\n]|\Z)")
_NUMBERS = re.compile(r"[-+.,0-9eE\s]*")
_MAX_ABS_V = 6.5  # the reading format reaches 6.55 V
_MAX_ABS_A = 320.0
_MAX_STEP_S = 2_147_483.0  # half of what the 32 bits of uptime in ms hold: beyond it a wrap cannot be told


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Columns of a table. Empty cells are NaN."""

    time_s: F64  # (n,)
    volts_v: F64  # (n, g)
    current_a: F64 | None  # (n,)
    temps_c: F64 | None  # (n, k)


def read_table(path: Path, groups: int) -> Table:
    """Read and check a CSV file.

    Args:
        path: the file; UTF-8, with or without BOM, any line ends.
        groups: number of groups that the pack profile states.

    Raises:
        InputError: with file, line and column of what is wrong.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except IsADirectoryError as error:
        raise InputError(f"{path}: is a folder; give a CSV file") from error
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot read this file as text ({error}); give a CSV file in UTF-8") from error
    head, _, body = text.partition("\n")
    names = [name.strip() for name in next(csv.reader([head]), [])]
    if not any(names):
        raise InputError(f"{path}: is empty; the first line must name the columns t_s, g1..g{groups}")
    _check_names(path, names, groups)
    numbers = _numbers(path, names, body)
    time_s = numbers[:, names.index("t_s")]
    _check_time(path, time_s)
    volts = numbers[:, [names.index(f"g{k}") for k in range(1, groups + 1)]]
    _check_range(path, volts, [f"g{k}" for k in range(1, groups + 1)], _MAX_ABS_V, "V")
    current = numbers[:, names.index("current_a")] if "current_a" in names else None
    if current is not None:
        _check_range(path, current[:, None], ["current_a"], _MAX_ABS_A, "A")
    temps = sorted((name for name in names if re.fullmatch(r"temp\d+_c", name)), key=lambda name: int(name[4:-2]))
    temps_c = numbers[:, [names.index(name) for name in temps]] if temps else None
    if temps_c is not None:
        _check_range(path, temps_c, temps, 320.0, "degC")
    return Table(time_s, volts, current, temps_c)


def _check_names(path: Path, names: list[str], groups: int) -> None:
    limit = load_table().max_groups
    found = [int(name[1:]) for name in names if re.fullmatch(r"g[1-9]\d*", name)]
    if found and max(found) > limit:
        raise InputError(f"{path}: column g{max(found)}: at most {limit} groups can be handled; split the string")
    twice = sorted({name for name in names if names.count(name) > 1 and name})
    if twice:
        raise InputError(f"{path}: line 1: column {twice[0]} stands there twice; remove one")
    if "t_s" not in names:
        raise InputError(f"{path}: line 1: column t_s (time in seconds) is missing")
    if found and max(found) > groups:
        raise InputError(f"{path}: has column g{max(found)}, but the pack profile says {groups} groups; correct one")
    for k in range(1, groups + 1):
        if f"g{k}" not in names:
            raise InputError(f"{path}: line 1: column g{k} is missing (the pack profile says {groups} groups)")


def _numbers(path: Path, names: list[str], body: str) -> F64:
    """All cells as numbers, (rows, columns): quickly when every cell is one, with a place in the message when not."""
    if not body.strip():
        raise InputError(f"{path}: has no rows below its header")
    # An empty cell between commas is a reading not taken. Text without letters but e holds no other NaN.
    gaps = _EMPTY.search(body) is not None and _NUMBERS.fullmatch(body) is not None
    try:
        table = np.loadtxt(
            io.StringIO(_EMPTY.sub("nan", body) if gaps else body), delimiter=",", ndmin=2, comments=None
        )
    except ValueError:
        return _cell_by_cell(path, names, body)
    if table.shape[1] != len(names):
        raise InputError(f"{path}: line 2: {table.shape[1]} cells, but {len(names)} columns are named in line 1")
    if (np.isinf(table) if gaps else ~np.isfinite(table)).any() or np.isnan(table[:, names.index("t_s")]).any():
        return _cell_by_cell(path, names, body)  # it knows the place
    return table


def _cell_by_cell(path: Path, names: list[str], body: str) -> F64:
    rows = []
    for line, cells in enumerate(_rows(path, body), start=2):
        if not cells:
            continue
        if len(cells) != len(names):
            raise InputError(f"{path}: line {line}: {len(cells)} cells, but {len(names)} columns are named in line 1")
        rows.append([_cell(path, line, name, cell) for name, cell in zip(names, cells, strict=True)])
    return np.array(rows, np.float64)


def _rows(path: Path, body: str) -> Iterator[list[str]]:
    reader = csv.reader(io.StringIO(body))
    try:
        yield from reader
    except csv.Error as error:
        raise InputError(f"{path}: line {reader.line_num + 1}: {error}; give a plain CSV file") from error


def _cell(path: Path, line: int, name: str, cell: str) -> float:
    if not cell.strip() and name != "t_s":
        return float("nan")
    try:
        value = float(cell)
    except ValueError:
        raise InputError(_not_a_number(path, line, name, cell)) from None
    if not np.isfinite(value):
        raise InputError(_not_a_number(path, line, name, cell))
    return value


def _not_a_number(path: Path, line: int, name: str, cell: str) -> str:
    shown = cell.strip()[:40]
    return f"{path}: line {line}, column {name}: {shown!r} is not a number; leave a cell empty for a reading not taken"


def _check_time(path: Path, time_s: F64) -> None:
    back = np.flatnonzero(np.diff(time_s) <= 0)
    if len(back):
        k = int(back[0])
        raise InputError(
            f"{path}: line {k + 3}, column t_s: time does not rise ({time_s[k]:g} s, then {time_s[k + 1]:g} s);"
            " sort the rows by time"
        )
    far = np.flatnonzero(np.diff(time_s) >= _MAX_STEP_S)
    if len(far):
        raise InputError(
            f"{path}: line {int(far[0]) + 3}, column t_s: more than 24 days after the row before, which a recording"
            " cannot say; check that the column is in seconds, or split the table there"
        )


def _check_range(path: Path, values: F64, names: list[str], limit: float, unit: str) -> None:
    bad = np.argwhere(np.abs(values) > limit)
    if len(bad):
        row, column = bad[0]
        raise InputError(
            f"{path}: line {int(row) + 2}, column {names[int(column)]}: {values[row, column]:g} {unit} is beyond"
            f" ±{limit:g} {unit}; check the unit of this column"
        )


def table_frames(table: Table, profile: PackProfile, origin: str) -> bytes:
    """A recording made from a table: identity, profile, source, scans with all groups at one instant."""
    groups = table.volts_v.shape[1]
    board, marks = Counter(), Counter()
    up = np.rint((table.time_s - table.time_s[0]) * 1000.0).astype(np.int64)
    temps = 0 if table.temps_c is None else table.temps_c.shape[1]
    flags = load_table().flags
    measures = (table.current_a is not None) << flags["measures"]["current"]
    measures |= (temps > 0) << flags["measures"]["temperature"]
    head = message("MARK_SOURCE", marks.next(), 0, text=f"evenstring {__version__} import of {origin}")
    head += message("MARK_PACK", marks.next(), 0, toml=to_toml(profile))
    head += identity(board, groups, "table_import", measures=int(measures), temps=temps)
    values = ScanValues(
        uptime_ms=up,
        reading=volts_to_steps(table.volts_v),
        groups=groups,
        passes=1,
        current_10ma=None if table.current_a is None else hundredths(table.current_a[:, None]),
        temp_cdegc=None if table.temps_c is None else hundredths(table.temps_c),
        flags=1 << flags["scan"]["simultaneous"],
    )
    return head + scan_frames(values, board)


def hundredths(values: F64) -> NDArray[np.int16]:
    """Hundredths of a unit as int16; NaN becomes the code for no reading."""
    return np.where(np.isnan(values), -32768, np.rint(np.nan_to_num(values) * 100.0)).astype(np.int16)


def identity(
    counter: Counter, groups: int, front_end: str, *, measures: int = 0, temps: int = 0, **more: object
) -> bytes:
    """An IDENT frame for a recording that no board made; meter uncertainties are unknown unless given."""
    table = load_table()
    values: dict[str, object] = {
        "schema": table.schema,
        "groups": groups,
        "reading_step_uv": table.reading_step_uv,
        "front_end": table.enums["front_end"][front_end],
        "measures": measures,
        "temps": temps,
        "scan_ms": 0,
        "noise_uv": 65535,
        "channel_u_uv": 65535,
        "gain_u_ppm": 65535,
        "boot_count": 0,
        "reset_reason": 0,
        "board_id": "",
        "string_name": "",
        "firmware": "",
        "runtime": "",
    }
    return message("IDENT", counter.next(), 0, **(values | more))

"""What a table may look like: one shape, and the writing of it through a writer that others made."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import polars as pl

from tests.host.io.tables.world import START, World, make_world

__all__ = ["TIMES", "Shape", "world_of", "write_table"]

Column = tuple[str, list[Any]]


@dataclass(frozen=True, slots=True)
class Shape:
    """One way to write a table. Defaults are the plainest."""

    name: str
    writer: str = "csv"  # csv, pandas, polars, xlsx
    groups: int = 12
    rows: int = 120
    dt_s: float = 1.0
    sep: str = ","
    decimal: str = "."
    encoding: str = "utf-8"
    newline: str = "\n"
    quote: bool = False
    title: tuple[str, ...] = ()  # lines above the header
    header: bool = True
    units: bool = False  # a row of units below the header
    group: str = "g{k}"
    base: int = 1  # number of the first group
    unit: str = "V"  # V, mV
    decimals: int = 4
    time: str = "s"  # key of TIMES
    time_names: tuple[str, ...] = ("t_s",)
    missing: float = 0.0
    token: str = ""  # what stands where no reading was taken
    current: str = ""  # name of the column
    current_scale: float = 1.0  # 1000: mA; negative: discharge is positive
    temps: tuple[str, ...] = ()
    pack: str = ""
    extra: tuple[str, ...] = ()
    order: str = ""  # shuffled, reversed, time last
    index: bool = False  # a column that counts rows
    long: tuple[str, str, str] = ("", "", "")  # names of group and value columns, form of a group's name
    footer: tuple[str, ...] = ()
    trailing: bool = False  # a separator at the end of each line
    zone: bool = False
    starts: bool = False  # the table tells the time of day of its first row
    low_v: float = 3.55


def _stamp(form: str) -> Callable[[float], tuple[Any, ...]]:
    return lambda s: tuple(part for part in (START + timedelta(seconds=s)).strftime(form).split("|"))


def _hms(s: float, digits: int = 0) -> str:
    whole = round(s * 10**digits)
    seconds, rest = divmod(whole, 10**digits)
    text = f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    return text + (f".{rest:0{digits}}" if digits else "")


# Seconds since the first row to the cells of the time column(s).
TIMES: dict[str, Callable[[float], tuple[Any, ...]]] = {
    "s": lambda s: (round(s, 3),),
    "s from 5000": lambda s: (round(s + 5000.25, 3),),
    "whole s": lambda s: (round(s),),
    "ms": lambda s: (round(s * 1000),),
    "min": lambda s: (round(s / 60, 6),),
    "h": lambda s: (round(s / 3600, 8),),
    "h:m:s": lambda s: (_hms(s),),
    "h:m:s.f": lambda s: (_hms(s, 3),),
    "mm:ss": lambda s: (f"{int(s) // 60:02}:{int(s) % 60:02}",),
    "clock": _stamp("%H:%M:%S"),
    "clock over midnight": lambda s: _stamp("%H:%M:%S")(s + 9900.0),
    "iso": _stamp("%Y-%m-%d %H:%M:%S"),
    "iso T": _stamp("%Y-%m-%dT%H:%M:%S"),
    "iso f": lambda s: ((START + timedelta(seconds=s)).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3],),
    "iso Z": _stamp("%Y-%m-%dT%H:%M:%SZ"),
    "iso zone": lambda s: ((START + timedelta(seconds=s, hours=2)).strftime("%Y-%m-%dT%H:%M:%S+02:00"),),
    "y/m/d": _stamp("%Y/%m/%d %H:%M:%S"),
    "d.m.Y": _stamp("%d.%m.%Y %H:%M:%S"),
    "d.m.y": _stamp("%d.%m.%y %H:%M:%S"),
    "d/m/Y": _stamp("%d/%m/%Y %H:%M:%S"),
    "d/m/Y H:M": _stamp("%d/%m/%Y %H:%M"),
    "m/d/Y": _stamp("%m/%d/%Y %H:%M:%S"),
    "m/d/Y p": _stamp("%m/%d/%Y %I:%M:%S %p"),
    "d-b-Y": _stamp("%d-%b-%Y %H:%M:%S"),
    "Ymd": _stamp("%Y%m%d %H%M%S"),
    "date|time": _stamp("%Y-%m-%d|%H:%M:%S"),
    "d.m.Y|time": _stamp("%d.%m.%Y|%H:%M:%S"),
    "d/m/Y|time": _stamp("%d/%m/%Y|%H:%M:%S"),
    "m/d/Y|time p": _stamp("%m/%d/%Y|%I:%M:%S %p"),
    "unix s": lambda s: (round(START.timestamp() + s),),
    "unix s f": lambda s: (round(START.timestamp() + s, 3),),
    "unix ms": lambda s: (round((START.timestamp() + s) * 1000),),
    "unix us": lambda s: (round((START.timestamp() + s) * 1e6),),
    "serial": lambda s: (round((START.timestamp() + s) / 86400 + 25569, 8),),
    "datetime": lambda s: ((START + timedelta(seconds=s)).replace(tzinfo=None),),
    "iso|s": lambda s: (*_stamp("%Y-%m-%d %H:%M:%S")(s), round(s, 3)),
}  # fmt: skip


def world_of(shape: Shape, seed: int) -> World:
    """The numbers in a table of this shape."""
    return make_world(shape.groups, shape.rows, shape.dt_s, seed, missing=shape.missing, low_v=shape.low_v)


def _columns(shape: Shape, world: World, rng: np.random.Generator) -> list[Column]:
    cells = [TIMES[shape.time](float(t)) for t in world.time_s]
    times = [(name, [row[k] for row in cells]) for k, name in enumerate(shape.time_names)]
    scale, digits = (1000.0, max(shape.decimals - 3, 0)) if shape.unit == "mV" else (1.0, shape.decimals)
    volts = world.volts_v * scale
    rest: list[Column] = [
        (shape.group.format(k=k + shape.base), [None if np.isnan(v) else _round(v, digits) for v in volts[:, k]])
        for k in range(shape.groups)
    ]
    if shape.current:
        digits = 0 if abs(shape.current_scale) == 1000 else 2
        rest.append((shape.current, [_round(v * shape.current_scale, digits) for v in world.current_a]))
    rest += [(name, [_round(v, 1) for v in world.temps_c[:, k]]) for k, name in enumerate(shape.temps)]
    if shape.pack:
        rest.append((shape.pack, [_round(v, 2) for v in world.pack_v]))
    rest += [(name, _other(name, shape.rows)) for name in shape.extra]
    if shape.order == "reversed":
        rest = rest[::-1]
    columns = [*times, *rest] if shape.order != "time last" else [*rest, *times]
    if shape.order == "shuffled":
        columns = [columns[k] for k in rng.permutation(len(columns))]
    return [("", list(range(shape.rows))), *columns] if shape.index else columns


def _round(value: float, digits: int) -> float | int:
    return round(value) if digits == 0 else round(float(value), digits)


def _other(name: str, rows: int) -> list[Any]:
    if "soc" in name.lower() or "%" in name:
        return [round(30 + 40 * k / rows, 1) for k in range(rows)]
    if "stat" in name.lower():
        return ["charging" if k < rows / 2 else "riding" for k in range(rows)]
    if "cycle" in name.lower():
        return [17] * rows
    return [round(0.01 * k, 2) for k in range(rows)]


def _long(shape: Shape, world: World) -> list[Column]:
    group_name, value_name, form = shape.long
    columns = _columns(shape, world, np.random.default_rng(0))
    times = columns[: len(shape.time_names)]
    volts = columns[len(times) : len(times) + shape.groups]
    rows = [(r, k) for r in range(shape.rows) for k in range(shape.groups) if volts[k][1][r] is not None or shape.token]
    identity = [form.format(k=k + shape.base) if form else k + shape.base for _, k in rows]
    long = [(name, [values[r] for r, _ in rows]) for name, values in times]
    return [*long, (group_name, identity), (value_name, [volts[k][1][r] for r, k in rows])]


def write_table(shape: Shape, path: Path, seed: int) -> World:
    """Write a table of this shape; returns the numbers that it carries."""
    world, rng = world_of(shape, seed), np.random.default_rng(seed + 1)
    columns = _long(shape, world) if shape.long[0] else _columns(shape, world, rng)
    if shape.writer == "xlsx":
        _write_xlsx(shape, columns, path)
        return world
    body = {"csv": _by_csv, "pandas": _by_pandas, "polars": _by_polars}[shape.writer](shape, columns)
    text = "".join(line + shape.newline for line in shape.title) + body
    text += "".join(line + shape.newline for line in shape.footer)
    path.write_bytes(text.encode(shape.encoding))
    return world


def _units(shape: Shape, columns: list[Column]) -> list[str]:
    names = {shape.group.format(k=k + shape.base): shape.unit for k in range(shape.groups)}
    names |= dict.fromkeys(shape.temps, "°C") | {shape.pack: "V"}
    names[shape.current] = "mA" if abs(shape.current_scale) == 1000 else "A"
    names[shape.time_names[0]] = {"ms": "ms", "min": "min", "h": "h", "s": "s", "whole s": "s"}.get(shape.time, "")
    return [names.get(name, "") for name, _ in columns]


def _text(value: Any, shape: Shape) -> str:
    if value is None:
        return shape.token
    return str(value).replace(".", shape.decimal) if isinstance(value, float) else str(value)


def _by_csv(shape: Shape, columns: list[Column]) -> str:
    out = io.StringIO()
    writer = csv.writer(
        out,
        delimiter=shape.sep,
        lineterminator=shape.newline,
        quoting=csv.QUOTE_ALL if shape.quote else csv.QUOTE_MINIMAL,
    )
    end = [""] if shape.trailing else []
    if shape.header:
        writer.writerow([name for name, _ in columns] + end)
    if shape.units:
        writer.writerow(_units(shape, columns) + end)
    for row in zip(*(values for _, values in columns), strict=True):
        writer.writerow([_text(v, shape) for v in row] + end)
    return out.getvalue()


def _by_pandas(shape: Shape, columns: list[Column]) -> str:
    frame = pd.DataFrame(dict(columns))
    return str(
        frame.to_csv(
            index=False,
            sep=shape.sep,
            decimal=shape.decimal,
            na_rep=shape.token,
            header=shape.header,
            lineterminator=shape.newline,
            quoting=csv.QUOTE_NONNUMERIC if shape.quote else csv.QUOTE_MINIMAL,
        )
    )


def _by_polars(shape: Shape, columns: list[Column]) -> str:
    frame = pl.DataFrame(dict(columns), strict=False)
    return frame.write_csv(
        separator=shape.sep,
        decimal_comma=shape.decimal == ",",
        null_value=shape.token,
        include_header=shape.header,
        line_terminator=shape.newline,
        quote_style="always" if shape.quote else "necessary",
    )


def _write_xlsx(shape: Shape, columns: list[Column], path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for line in shape.title:
        sheet.append([line])
    if shape.header:
        sheet.append([name for name, _ in columns])
    if shape.units:
        sheet.append(_units(shape, columns))
    for row in zip(*(values for _, values in columns), strict=True):
        sheet.append([shape.token or None if v is None else v for v in row])
    book.save(path)

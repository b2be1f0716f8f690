# ruff: noqa: E501  # a line a shape
"""Two hundred shapes: the named ones that people are known to have, and combinations drawn with a seed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.host.io.tables.shapes import Shape

__all__ = ["CORPUS"]

_GROUP_NAMES = (
    "g{k}", "G{k}", "g{k:02}", "Cell {k}", "cell_{k:02}", "C{k} (V)", "V{k}", "U{k}", "Zelle {k}", "Group {k} voltage", "cell{k}",
    "CELL{k}", "Cell {k} [V]", "c{k:02}", "Celda {k}", "Cellule {k}", "Tap {k}", "ch{k}", "CH {k}", "cell_{k}_v", "Vcell{k}",
    "Cell#{k}", "B{k}", "{k}", "cellVoltage{k}", "Voltage {k}", "U_Zelle_{k}", "bank1_cell{k}", "V Cell {k}", "Block {k}",
)  # fmt: skip
_DATED = (
    ("iso", ("timestamp",)), ("iso T", ("Timestamp",)), ("iso f", ("time",)), ("iso Z", ("time_utc",)), ("iso zone", ("when",)),
    ("y/m/d", ("Date Time",)), ("d.m.Y", ("Zeit",)), ("d.m.y", ("Datum/Uhrzeit",)), ("d/m/Y", ("Date",)), ("m/d/Y", ("DateTime",)),
    ("m/d/Y p", ("Time stamp",)), ("d-b-Y", ("Date",)), ("date|time", ("Date", "Time")), ("d.m.Y|time", ("Datum", "Zeit")),
    ("d/m/Y|time", ("date", "clock")), ("m/d/Y|time p", ("Day", "Time")), ("unix s", ("time",)), ("unix ms", ("Timestamp (ms)",)),
    ("unix s f", ("t",)), ("unix us", ("ts",)), ("serial", ("Date",)), ("iso|s", ("DateTime", "Time (s)")),
)  # fmt: skip
_ELAPSED = (
    ("s", ("t_s",)), ("s", ("Time",)), ("s", ("Zeit [s]",)), ("s from 5000", ("uptime (s)",)), ("whole s", ("sec",)),
    ("ms", ("time_ms",)), ("ms", ("Time (ms)",)), ("ms", ("millis",)), ("min", ("minutes",)), ("min", ("Elapsed [min]",)),
    ("h", ("Time / h",)), ("h:m:s", ("Time",)), ("h:m:s.f", ("Elapsed time",)), ("clock", ("Clock",)),
    ("clock over midnight", ("Uhrzeit",)), ("mm:ss", ("Time",)),
)  # fmt: skip
_CURRENTS = ("", "current_A", "Current (A)", "Strom [A]", "I", "Pack current", "I_bat", "Current", "amps")
_TEMPS = ((), ("temp1_c",), ("Temp 1", "Temp 2"), ("T1 (°C)",), ("Temperature",), ("NTC1", "NTC2"))
_PACKS = ("", "", "Pack (V)", "Total voltage", "pack_v", "Gesamtspannung", "Battery voltage")
_EXTRAS = ((), (), ("SoC",), ("SoC %", "Status"), ("Cycles",), ("Ah", "Wh"), ("Remark state",))
_TOKENS = ("", "-", "NaN", "N/A", "--", "null", "nan", "0")
_PLACES = ((",", "."), (",", "."), (";", ","), (";", "."), ("\t", "."), ("\t", ","), ("|", "."))

NAMED = (
    Shape("ours"),
    Shape("ours, everything", current="current_a", temps=("temp1_c", "temp2_c"), pack="pack_v", missing=0.02),
    Shape("blanks between", sep=" ", group="V{k}", time_names=("t",)),
    Shape("comma in quotes", decimal=",", quote=True, group="Cell {k}", time_names=("Time",)),
    Shape("old line ends", newline="\r", group="Cell {k}", time_names=("Time",)),
    Shape("windows line ends", newline="\r\n", sep=";", group="Cell {k}", time_names=("Time",)),
    Shape("utf-16 without a mark", encoding="utf-16-le", group="Zelle {k}", sep=";", decimal=","),
    Shape("latin", encoding="latin-1", group="Größe Zelle {k}", sep=";", decimal=",", time_names=("Zeit (s)",)),
    Shape("no names, tab", header=False, sep="\t"),
    Shape("sixteen lfp", groups=16, low_v=2.95, group="Cell {k}", unit="mV"),
    Shape("one row a minute", dt_s=60.0, group="Cell {k}", time="iso", time_names=("time",), starts=True),
    Shape("ten a second", dt_s=0.1, rows=600, group="Cell {k}", time_names=("time",), current="current"),
    Shape("ten a second, ms", dt_s=0.1, rows=400, group="Cell {k}", time="ms", time_names=("t",)),
    Shape("a scan every 15 s", dt_s=15.0, group="Cell {k}", time_names=("time",)),
    Shape("workbook, text stamps", writer="xlsx", group="Cell {k}", time="d.m.Y", time_names=("Date",), starts=True),
    Shape("workbook, dashes", writer="xlsx", group="C{k}", missing=0.04, token="-", current="I (A)"),
    Shape("workbook, shuffled", writer="xlsx", order="shuffled", group="Cell {k} (V)", current="Current (mA)", current_scale=-1000),
    Shape("long, workbook", writer="xlsx", long=("Cell no", "U (V)", "Cell {k}"), groups=5, rows=50),
    Shape("long with gaps", long=("group", "voltage_v", ""), groups=6, rows=80, missing=0.05, token=""),
    Shape("footer", footer=("Average,,,,,,,,,,,,",), group="Cell {k}"),
)  # fmt: skip


def _drawn(seed: int) -> Shape:
    rng = np.random.default_rng(seed)

    def one(options: tuple) -> object:  # type: ignore[type-arg]
        return options[int(rng.integers(len(options)))]

    dated = bool(rng.random() < 0.5)
    time, time_names = one(_DATED if dated else _ELAPSED)  # type: ignore[misc]
    sep, decimal = one(_PLACES)  # type: ignore[misc]
    writer = str(one(("csv", "csv", "csv", "pandas", "polars", "xlsx")))
    unit = str(one(("V", "V", "mV")))
    name = str(one(_GROUP_NAMES))
    temps, pack, extra = one(_TEMPS), str(one(_PACKS)), one(_EXTRAS)
    current = str(one(_CURRENTS))
    scale = float(one((1.0, 1.0, -1.0)))  # type: ignore[arg-type]
    missing = float(one((0.0, 0.0, 0.04)))  # type: ignore[arg-type]
    token = str(one(_TOKENS))
    shape = Shape(
        f"drawn {seed}",
        writer=writer,
        groups=int(one((7, 10, 13, 14, 16, 20, 24))),  # type: ignore[call-overload]
        rows=int(one((60, 120, 200))),  # type: ignore[call-overload]
        dt_s=10.0
        if time in ("min", "h")
        else 1.0
        if time not in ("ms", "s", "iso f")
        else float(one((0.5, 1.0, 2.0, 10.0))),  # type: ignore[arg-type]
        sep=sep,
        decimal=decimal,
        encoding=str(one(("utf-8", "utf-8", "utf-8-sig", "cp1252", "utf-16"))),
        newline=str(one(("\n", "\r\n"))),
        quote=bool(rng.random() < 0.15),
        title=one(((), (), (), ("Logger export",), ("Pack left", "", "made by: nobody"))),  # type: ignore[arg-type]
        group=name,
        unit=unit,
        decimals=int(one((3, 4))),  # type: ignore[call-overload]
        time=time,
        time_names=time_names,
        missing=missing,
        token=token if writer != "xlsx" or token != "0" else "",
        current=current,
        current_scale=scale,
        temps=temps,  # type: ignore[arg-type]
        pack=pack,
        extra=extra,  # type: ignore[arg-type]
        order=str(one(("", "", "shuffled", "time last", "reversed"))),
        starts=dated,
    )
    if "(ms)" in shape.time_names[0]:
        shape = replace(shape, order="")
    return shape


CORPUS: tuple[Shape, ...] = NAMED + tuple(_drawn(seed) for seed in range(180))

"""Battery Data Format: an open table, one cell a file. A session becomes one file for each group.

Header labels and units are those of the format's published reader (`batterydf` 0.1.0 on PyPI): `Test Time / s`,
`Voltage / V` and `Current / A` are required, `Surface Temperature T1 / degC` is one of the optional ones. The text does
not fix the sign of the current; positive is charging here, as its second validator (`battery-data-standard`) has it.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring.errors import InputError
from evenstring.session import Session

__all__ = ["group_files"]

_TIME, _VOLTAGE, _CURRENT = "Test Time / s", "Voltage / V", "Current / A"
_UNIX, _TEMPERATURE = "Unix Time / s", "Surface Temperature T1 / degC"


def group_files(session: Session, folder: Path) -> list[tuple[Path, bytes]]:
    """Names and contents, one for each group; rows without a voltage or a current are left out.

    Names are Institution__Cell__YYYYMMDD_XXX.bdf.csv, as the format asks; the institution is ours, the cell is the
    string's name and the group.

    Raises:
        InputError: the recording has no current, which the format requires.
    """
    if session.current_a is None or not session.has_current:
        raise InputError("export to bdf: the format needs a current and this recording has none; use --to csv")
    day = session.start.strftime("%Y%m%d") if session.start else "00000000"
    string = re.sub(r"[^A-Za-z0-9-]+", "-", session.ident.string_name).strip("-") or "string"
    files = []
    for k in range(session.groups):
        name = f"evenstring__{string}-g{k + 1:02d}__{day}_001.bdf.csv"
        files.append((folder / name, _table(session, k)))
    return files


def _table(session: Session, k: int) -> bytes:
    assert session.current_a is not None  # noqa: S101  # checked by the caller
    columns: dict[str, tuple[NDArray[Any], str]] = {_TIME: (session.time_s, "%.3f")}
    columns[_VOLTAGE] = (session.volts_v[:, k], "%.4f")
    columns[_CURRENT] = (session.current_a, "%.2f")
    if session.start:
        columns[_UNIX] = (session.time_s + session.start.timestamp(), "%.3f")
    if session.temps_c is not None and np.isfinite(session.temps_c[:, 0]).all():
        columns[_TEMPERATURE] = (session.temps_c[:, 0], "%.2f")
    rows = np.column_stack([values.astype(np.float64) for values, _ in columns.values()])
    rows = rows[np.isfinite(rows).all(axis=1)]
    line = ",".join(form for _, form in columns.values())
    return "\n".join([",".join(columns), *(line % tuple(row) for row in rows.tolist()), ""]).encode()

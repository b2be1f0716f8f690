"""Sessions out: one writer a format, found by name in WRITERS. Adding a format is one function and one line."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring import __version__
from evenstring.errors import InputError
from evenstring.session import Session

__all__ = ["WRITERS", "csv_chunks", "joined", "parquet"]

_ROWS = 20_000  # rows formatted at once


def csv_chunks(session: Session) -> Iterator[bytes]:
    """The table that `import` reads: t_s, g1..gN, current_a, temp1_c..., pack_v, time_utc.

    An empty cell is a reading not taken; columns of what was not measured are left out.
    """
    columns: list[NDArray[Any]] = [session.time_s[:, None], session.volts_v]
    names = ["t_s", *(f"g{k}" for k in range(1, session.groups + 1))]
    formats = ["%.3f", *["%.4f"] * session.groups]
    if session.current_a is not None:
        columns.append(session.current_a[:, None])
        names.append("current_a")
        formats.append("%.2f")
    if session.temps_c is not None:
        columns.append(session.temps_c)
        names += [f"temp{k}_c" for k in range(1, session.temps_c.shape[1] + 1)]
        formats += ["%.2f"] * session.temps_c.shape[1]
    if session.pack_v is not None:
        columns.append(np.where(np.isfinite(session.pack_v), session.pack_v, np.nan)[:, :1])
        names.append("pack_v")
        formats.append("%.2f")
    if session.start is not None:
        names.append("time_utc")
    head = io.StringIO()
    csv.writer(head, lineterminator="\n").writerow(names)
    yield head.getvalue().encode()
    line = ",".join(formats)
    for first in range(0, session.scans, _ROWS):
        block = np.column_stack([c[first : first + _ROWS] for c in columns]).astype(np.float64)
        rows = [line % tuple(row) for row in block.tolist()]
        if session.start is not None:
            rows = [f"{row},{stamp}" for row, stamp in zip(rows, _stamps(session, first), strict=True)]
        text = "\n".join(rows) + "\n"
        yield (text.replace("nan", "") if np.isnan(block).any() else text).encode()


def _stamps(session: Session, first: int) -> list[str]:
    """Times of day of a block of rows, ISO 8601 in UTC to the millisecond."""
    assert session.start is not None  # noqa: S101  # checked by the caller
    since_ms = round(session.start.timestamp() * 1000.0) + np.rint(session.time_s[first : first + _ROWS] * 1000.0)
    return [f"{stamp}Z" for stamp in np.datetime_as_string(since_ms.astype("datetime64[ms]"))]


def parquet(session: Session) -> bytes:
    """The columns of the CSV table as Parquet; readings not taken are nulls. Start and origin are in its metadata.

    Raises:
        InputError: pyarrow, which is an extra, is not installed.
    """
    try:
        import pyarrow as pa  # noqa: PLC0415  # an extra: only who asks for Parquet needs it
        import pyarrow.parquet as pq  # noqa: PLC0415  # as above
    except ImportError as error:
        raise InputError("export to parquet needs pyarrow: pip install 'evenstring[parquet]'") from error
    columns: dict[str, NDArray[Any]] = {"t_s": session.time_s}
    columns |= {f"g{k + 1}": session.volts_v[:, k] for k in range(session.groups)}
    if session.current_a is not None:
        columns["current_a"] = session.current_a
    if session.temps_c is not None:
        columns |= {f"temp{k + 1}_c": session.temps_c[:, k] for k in range(session.temps_c.shape[1])}
    table = pa.table({name: pa.array(values, from_pandas=True) for name, values in columns.items()})
    start = session.start.isoformat() if session.start else ""
    table = table.replace_schema_metadata({"start": start, "made_by": f"evenstring {__version__}"})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


def joined(paths: Sequence[Path]) -> Iterator[bytes]:
    """Recordings put one after another, as they are; a delimiter keeps a torn end from running into the next."""
    for path in paths:
        with path.open("rb") as file:
            while chunk := file.read(1 << 20):
                yield chunk
        yield b"\0"


WRITERS: dict[str, Callable[[Session], Iterator[bytes]]] = {
    "csv": csv_chunks,
    "parquet": lambda session: iter([parquet(session)]),
}

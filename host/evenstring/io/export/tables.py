"""Sessions out, piece by piece: a writer for each format, by name in WRITERS. One more is a function and a line."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenstring import __version__
from evenstring.errors import InputError
from evenstring.io.export.pieces import Shape
from evenstring.session import Session

__all__ = ["WRITERS", "csv_chunks", "joined", "parquet_chunks"]

_ROWS = 20_000  # rows formatted at once


def csv_chunks(shape: Shape, parts: Iterable[Session]) -> Iterator[bytes]:
    """The table that `import` reads: t_s, g1..gN, current_a, temp1_c..., pack_v, time_utc.

    An empty cell is a reading not taken; columns of what was not measured are left out.
    """
    names, formats = ["t_s", *(f"g{k + 1}" for k in range(shape.groups))], ["%.3f", *["%.4f"] * shape.groups]
    if shape.current:
        names.append("current_a")
    names += [f"temp{k + 1}_c" for k in range(shape.temps)]
    if shape.pack:
        names.append("pack_v")
    formats += ["%.2f"] * (len(names) - len(formats))
    head = io.StringIO()
    csv.writer(head, lineterminator="\n").writerow([*names, *(["time_utc"] if shape.start else [])])
    yield head.getvalue().encode()
    line = ",".join(formats)
    for part in parts:
        columns: list[NDArray[Any]] = [part.time_s[:, None], part.volts_v, *_extras(shape, part)]
        for first in range(0, part.scans, _ROWS):
            block = np.column_stack([c[first : first + _ROWS] for c in columns]).astype(np.float64)
            rows = [line % tuple(row) for row in block.tolist()]
            if part.start is not None:
                rows = [f"{row},{stamp}" for row, stamp in zip(rows, _stamps(part, first), strict=True)]
            text = "\n".join(rows) + "\n"
            yield (text.replace("nan", "") if np.isnan(block).any() else text).encode()


def _extras(shape: Shape, part: Session) -> Iterator[NDArray[Any]]:
    """(k, c) current, temperatures and pack voltage as wide as all parts have them."""
    given = (part.current_a, part.temps_c, None if part.pack_v is None else part.pack_v[:, :1])
    for values, width in zip(given, (int(shape.current), shape.temps, int(shape.pack)), strict=True):
        column = np.full((part.scans, width), np.nan)
        if values is not None and width:
            there = values.reshape(part.scans, -1)
            column[:, : there.shape[1]] = there
        yield column


def _stamps(session: Session, first: int) -> list[str]:
    """Times of day of a block of rows, ISO 8601 in UTC to the millisecond."""
    assert session.start is not None  # noqa: S101  # checked by the caller
    since_ms = round(session.start.timestamp() * 1000.0) + np.rint(session.time_s[first : first + _ROWS] * 1000.0)
    return [f"{stamp}Z" for stamp in np.datetime_as_string(since_ms.astype("datetime64[ms]"))]


def parquet_chunks(shape: Shape, parts: Iterable[Session]) -> Iterator[bytes]:
    """The columns of the CSV table as Parquet; readings not taken are nulls. Start and origin are in its metadata.

    Raises:
        InputError: pyarrow, which is an extra, is not installed.
    """
    try:
        import pyarrow as pa  # noqa: PLC0415  # an extra: only who asks for Parquet needs it
        import pyarrow.parquet as pq  # noqa: PLC0415  # as above
    except ImportError as error:
        raise InputError("export to parquet needs pyarrow: pip install 'evenstring[parquet]'") from error
    names = [f"g{k + 1}" for k in range(shape.groups)]
    names += [*(["current_a"] if shape.current else []), *(f"temp{k + 1}_c" for k in range(shape.temps))]
    origin = {"start": shape.start.isoformat() if shape.start else "", "made_by": f"evenstring {__version__}"}
    kinds = [("t_s", pa.float64()), *((name, pa.float32()) for name in names)]
    sink = _Outlet()
    with pq.ParquetWriter(sink, pa.schema(kinds, metadata=origin)) as writer:
        for part in parts:
            current, temps, _ = _extras(shape, part)
            values = np.column_stack([part.volts_v, current, temps]).astype(np.float32)
            columns = [pa.array(part.time_s), *(pa.array(column, from_pandas=True) for column in values.T)]
            writer.write_table(pa.table(columns, schema=writer.schema))
            yield sink.take()
    yield sink.take()


class _Outlet(io.RawIOBase):
    """Where pyarrow writes to, and what it wrote is taken from."""

    def __init__(self) -> None:
        super().__init__()
        self._chunks: list[bytes] = []
        self._size = 0

    def writable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._size

    def write(self, data: Any) -> int:
        self._chunks.append(bytes(data))
        self._size += len(self._chunks[-1])
        return len(self._chunks[-1])

    def take(self) -> bytes:
        """What was written since the last time."""
        data, self._chunks = b"".join(self._chunks), []
        return data


def joined(paths: Sequence[Path]) -> Iterator[bytes]:
    """Recordings put one after another, as they are; a delimiter keeps a torn end from running into the next."""
    for path in paths:
        with path.open("rb") as file:
            while chunk := file.read(1 << 20):
                yield chunk
        yield b"\0"


WRITERS: dict[str, Callable[[Shape, Iterable[Session]], Iterator[bytes]]] = {
    "csv": csv_chunks,
    "parquet": parquet_chunks,
}

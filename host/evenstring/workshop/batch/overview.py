"""The overview of a batch as CSV and Parquet: a line a file, what needs attention first; columns are those of `Row`."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import get_args, get_type_hints

from evenstring import __version__
from evenstring.workshop.batch.row import Row

__all__ = ["csv_bytes", "parquet_bytes"]

_FORMULA = ("=", "+", "-", "@")  # what a spreadsheet would run: published (OWASP, CSV injection)


def csv_bytes(rows: Sequence[Row]) -> bytes:
    """UTF-8, comma, a header; what is not known is empty. A text that a spreadsheet would run gets a ' before it."""
    out = io.StringIO()
    writer = csv.DictWriter(out, [f.name for f in fields(Row)], lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({k: _cell(v) for k, v in asdict(row).items()})
    return out.getvalue().encode("utf-8", "replace")


def parquet_bytes(rows: Sequence[Row]) -> bytes | None:
    """The same columns with their types; None where pyarrow, which is an extra, is not installed."""
    try:
        import pyarrow as pa  # noqa: PLC0415  # an extra
        import pyarrow.parquet as pq  # noqa: PLC0415  # as above
    except ImportError:
        return None
    types = {float: pa.float64(), int: pa.int64(), str: pa.string()}
    hints = get_type_hints(Row)
    columns = {
        f.name: pa.array([_whole(getattr(row, f.name)) for row in rows], types[(get_args(hints[f.name]) or (str,))[0]])
        for f in fields(Row)
    }
    table = pa.table(columns).replace_schema_metadata({"made_by": f"evenstring {__version__}"})
    sink = io.BytesIO()
    pq.write_table(table, sink)
    return sink.getvalue()


def _cell(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def _whole(value: object) -> object:
    """A name may hold bytes that are no text: what UTF-8 does not know is a mark."""
    return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value

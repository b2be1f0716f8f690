"""A workbook (.xlsx) as CSV text: the sheet with the most cells, row by row, so that tables go one way from there on.

openpyxl reads a sheet as a stream. What a file may cost is bounded beforehand by the sizes that its directory states
(zipfile refuses to give more than stated), and by the cells that are asked for.
"""

from __future__ import annotations

import csv
import io
import tempfile
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import IO, Any

from evenstring.errors import InputError

__all__ = ["workbook_as_csv"]

_MAX_BYTES = 1 << 30  # of XML, unpacked; a full sheet of 1,048,576 rows and 25 columns has about as many; our choice
_MAX_RATIO = 200  # unpacked to packed; sheets of numbers have 4 to 20; our choice
_MAX_COLUMNS = 1000  # our choice
_MAX_BLANK = 10_000  # rows without a cell in one go; our choice


@contextmanager
def workbook_as_csv(path: Path) -> Iterator[tuple[IO[bytes], str]]:
    """The largest sheet as a temporary file of CSV text (UTF-8), and the sheet's name.

    Raises:
        InputError: no workbook, damaged, or one that unpacks to more than any table of groups.
    """
    _check_sizes(path)
    import openpyxl  # noqa: PLC0415  # a third of a second that only workbooks need

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of openpyxl, about styles
            book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
            sheet = max(book.worksheets, key=_cells)
            with tempfile.TemporaryFile() as out:
                text = io.TextIOWrapper(out, encoding="utf-8", newline="")
                _copy(path, sheet, text)
                text.flush()
                yield out, sheet.title
                text.detach()
            book.close()
    except InputError:
        raise
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        zipfile.BadZipFile,
        SyntaxError,
        IndexError,
    ) as error:
        raise InputError(
            f"{path}: cannot be read as a workbook ({str(error)[:80]}); save it anew as .xlsx, or as CSV"
        ) from error


def _cells(sheet: Any) -> int:
    return min(sheet.max_row or 1_000_000, 1_048_576) * min(sheet.max_column or 1, _MAX_COLUMNS)


def _check_sizes(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
    except zipfile.BadZipFile as error:
        raise InputError(f"{path}: is a damaged zip or workbook ({error}); copy or save it again") from error
    if not any(entry.filename.startswith("xl/") for entry in entries):
        raise InputError(f"{path}: is a zip file but no .xlsx workbook; unpack it, or save the table as CSV or .xlsx")
    unpacked, packed = sum(e.file_size for e in entries), sum(e.compress_size for e in entries)
    if unpacked > _MAX_BYTES or unpacked > _MAX_RATIO * max(packed, 10_000):
        raise InputError(
            f"{path}: unpacks to {unpacked / 1e6:,.0f} MB, which no table of groups needs; save the table as CSV"
        )


def _copy(path: Path, sheet: Any, text: IO[str]) -> None:
    writer = csv.writer(text, lineterminator="\n")
    blank = width = 0
    if (sheet.max_column or 0) > _MAX_COLUMNS:
        raise InputError(f"{path}: has more than {_MAX_COLUMNS} columns; keep the time and one column a group")
    for row in sheet.iter_rows(max_col=_MAX_COLUMNS, values_only=True):
        cells = [_text(value) for value in row]
        while cells and not cells[-1]:
            cells.pop()
        blank = 0 if cells else blank + 1
        if blank > _MAX_BLANK:
            return
        width = max(width, len(cells))
        writer.writerow(cells + [""] * (width - len(cells)) if cells else [])


def _text(value: Any) -> str:
    match value:
        case None | str():
            return " ".join((value or "").split())
        case datetime():  # a day alone comes as its midnight
            return value.isoformat(sep=" ").removesuffix(" 00:00:00")
        case date() | time():
            return value.isoformat()
        case timedelta():
            seconds = value.total_seconds()
            return f"{int(seconds // 3600):02}:{int(seconds // 60 % 60):02}:{seconds % 60:09.6f}"
        case _:
            return repr(value)

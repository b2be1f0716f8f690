"""Text of a table on disk: its encoding, and the lines at both ends from which its layout is guessed."""

from __future__ import annotations

import codecs
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np

from evenstring.errors import InputError
from evenstring.io.table.workbook import workbook_as_csv

__all__ = ["TableText", "count_of", "open_table"]

_HEAD_BYTES = 1 << 18  # of the file looked at from its beginning; our choice
_TAIL_BYTES = 1 << 16  # and from its end; our choice
_BLOCK_BYTES = 1 << 20  # of the file held at a time: what fits into a cache; our choice, by trial
_NEEDS = "a time column and one column a group"
_HEAD_LINES, _TAIL_LINES = 400, 100  # our choice

# First bytes of what people give by mistake (published: PKWARE APPNOTE, RFC 1952, [MS-CFB], Apache Parquet, PDF).
_NOT_TEXT = {
    b"\x1f\x8b": "is compressed; unpack it first",
    b"\xd0\xcf\x11\xe0": "is an old spreadsheet file; save it as .xlsx or as CSV",
    b"PAR1": "is a Parquet file; save it as CSV",
    b"%PDF": "is a PDF; export the numbers as CSV or .xlsx",
}
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


@dataclass(frozen=True, slots=True)
class TableText:
    """A table as text that can be read again and again from its beginning.

    Attributes:
        where: name of the file, for messages.
        head, tail: lines at both ends, without their ends; `tail` is empty where `head` holds all.
        ends_open: the last line has no end: the file may have been cut.
    """

    where: str
    encoding: str
    head: tuple[str, ...]
    tail: tuple[str, ...]
    ends_open: bool
    file: IO[bytes]
    old_ends: bool = False  # lines end in CR alone

    def blocks(self, line: int) -> Iterator[tuple[int, bytes]]:
        """Pieces of whole lines, as UTF-8, from line number `line` (0: the first) on; with the number of their first.

        Raises:
            InputError: a line that does not end.
        """
        self.file.seek(0)
        plain = self.encoding.startswith("utf-8")
        decoder = None if plain else codecs.getincrementaldecoder(self.encoding)(errors="replace")
        number, skip, rest = 0, line, b""
        while True:
            data = self.file.read(_BLOCK_BYTES)
            last = not data
            if decoder is not None:
                data = decoder.decode(data, final=last).encode()
            if self.old_ends:
                data = data.replace(b"\r", b"\n")
            if last and rest:
                data = b"\n"
            data = rest + data
            end = data.rfind(b"\n") + 1
            whole, rest = data[:end], data[end:]
            if not end:
                if last:
                    return
                raise InputError(
                    f"{self.where}: line {number + 1} is longer than {_BLOCK_BYTES >> 20} MB; is this a table?"
                )
            while skip and whole:
                _, _, whole = whole.partition(b"\n")
                skip, number = skip - 1, number + 1
            if whole and not skip:
                yield number, whole
                number += count_of(whole, b"\n")
            if last:
                return


def count_of(block: bytes, letter: bytes) -> int:
    """How often a letter comes; for one in many a good deal quicker than `bytes.count`."""
    return int(np.count_nonzero(np.frombuffer(block, np.uint8) == letter[0]))


@contextmanager
def open_table(path: Path, needs: str = _NEEDS) -> Iterator[TableText]:
    """Open a CSV file or a workbook (.xlsx); `needs`: what to give, in a refusal of an empty one.

    Raises:
        InputError: not readable, empty, no text, or with lines that no table has.
    """
    try:
        with path.open("rb") as file:
            start = file.read(8)
            if start[:4] == b"PK\x03\x04":
                with workbook_as_csv(path) as (text, sheet):
                    yield _look(f"{path} [{sheet}]", text, needs)
                return
            for magic, what in _NOT_TEXT.items():
                if start.startswith(magic):
                    raise InputError(f"{path}: {what}")
            yield _look(str(path), file, needs)
    except IsADirectoryError as error:
        raise InputError(f"{path}: is a folder; give a table") from error
    except OSError as error:
        raise InputError(f"{path}: cannot read this file ({error.strerror or error}); check the name") from error


def _look(where: str, file: IO[bytes], needs: str) -> TableText:
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(_HEAD_BYTES)
    if not head.strip(b"\0\r\n\t ,;" + codecs.BOM_UTF8):
        raise InputError(f"{where}: is empty; give a table with {needs}")
    file.seek(max(0, size - _TAIL_BYTES) & ~1)
    tail = file.read(_TAIL_BYTES + 1) if size > _HEAD_BYTES else b""
    encoding = _encoding(where, head, tail)
    lines = _lines(head, encoding)
    if size > _HEAD_BYTES:
        lines = lines[:-1]  # the last one is cut
        if not lines:
            raise InputError(
                f"{where}: line 1 is longer than {_HEAD_BYTES // 1024} kB, which no table of groups needs; check that"
                " this is a table with line ends"
            )
    behind = _lines(tail, encoding.replace("utf-8-sig", "utf-8"))[1:] if tail else []
    last = tail or head
    return TableText(
        where=where,
        encoding=encoding,
        head=tuple(lines[:_HEAD_LINES]),
        tail=tuple((behind or lines[_HEAD_LINES:])[-_TAIL_LINES:]),
        ends_open=not last.rstrip(b"\0").endswith((b"\n", b"\r")),
        file=file,
        old_ends=b"\r" in head and b"\n" not in head,
    )


def _lines(data: bytes, encoding: str) -> list[str]:
    if encoding == "utf-16":  # a tail has no BOM of its own
        encoding = "utf-16" if data[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) else "utf-16-le"
    text = data.decode(encoding, errors="replace").replace("\r\n", "\n").replace("\r", "\n").removeprefix("\ufeff")
    lines = text.split("\n")
    return lines[:-1] if lines and not lines[-1] else lines


def _encoding(where: str, head: bytes, tail: bytes) -> str:
    for bom, name in _BOMS:
        if head.startswith(bom):
            return name if bom != codecs.BOM_UTF16_BE else "utf-16-be"
    even, odd = head[0:2048:2].count(0), head[1:2048:2].count(0)
    half = len(head[:2048]) // 2
    if half and max(even, odd) > 0.7 * half:  # Latin letters in UTF-16: every other byte is 0
        return "utf-16-be" if even > odd else "utf-16-le"
    if b"\0" in head or b"\0" in tail:
        at = head.find(b"\0")
        place = f"line {head.count(bytes([10]), 0, at) + 1}" if at >= 0 else "near its end"
        raise InputError(f"{where}: {place}: holds bytes that are no text; give a CSV or .xlsx file")
    for data in (head, tail):
        try:  # a character may be cut at either end
            codecs.getincrementaldecoder("utf-8")().decode(data.lstrip(bytes(range(0x80, 0xC0))))
        except UnicodeDecodeError:
            return "cp1252" if not set(data) & {0x81, 0x8D, 0x8F, 0x90, 0x9D} else "latin-1"
    return "utf-8"

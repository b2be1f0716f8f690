"""Logbooks for tests: an invented pack, and recordings that are a few bytes each."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from evenstring.logbook.entry import Entry
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import opened, reading
from evenstring.logbook.store.files import seen
from evenstring.logbook.store.rows import Added, Found
from evenstring.logbook.store.whose import Told

TOLD = Told("trike, left string", 3, "nmc", vehicle="trike", string_name="left")
ENTRY = Entry(1.7e9, 3600.0, 3, (0.0, -4.0, 1.0), 0.3, (1.0, 1.1, None), 0.02, "full", True, 0.5, 5.0, None, 8.0, 20.0,
              (), "ride")  # fmt: skip


def recording(folder: Path, k: int) -> Path:
    path = folder / f"{k}.frames"
    path.write_bytes(f"recording {k}".encode())
    return path


def add(folder: Path, k: int, *, told: Told = TOLD, copy: bool = False, entry: Entry | None = None) -> Added:
    with opened(folder / "book") as db:
        found = Found(entry or replace(ENTRY, start_s=1.7e9 + k * 86400.0), "{}")
        return Book(db, folder / "book").add(seen(recording(folder, k)), told, found, copy=copy)


def numbers(folder: Path) -> list[int]:
    with reading(folder / "book") as db:
        return [r.number for r in Book(db, folder / "book").recordings()]

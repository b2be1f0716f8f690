"""Which files of a folder are recordings and tables."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from evenstring.errors import InputError
from evenstring.io.table import TABLE_ENDINGS

__all__ = ["MARKER", "PACK_FILE", "RECORDING_ENDING", "Found", "find", "nearest_pack"]

MARKER = "batch.json"  # stands in the folder that a batch wrote
PACK_FILE = "pack.toml"
RECORDING_ENDING = ".frames"


@dataclass(frozen=True, slots=True)
class Found:
    """Names from the folder, with `/`, sorted. `other`: not looked at. `closed`: what cannot be read, and why."""

    files: tuple[str, ...]
    other: tuple[str, ...]
    closed: tuple[tuple[str, str], ...]


def find(folder: Path) -> Found:
    """All recordings and tables in a folder and those below it.

    Hidden ones, links to folders, and what another batch wrote are passed over.

    Raises:
        InputError: there is no such folder, or nothing in it.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: is no folder; give the one that holds recordings and tables")
    files: list[str] = []
    other: list[str] = []
    closed: list[tuple[str, str]] = []

    def cannot(error: OSError) -> None:
        closed.append((_name(Path(error.filename or folder), folder) + "/", f"cannot look in: {error.strerror}"))

    for root, folders, names in os.walk(folder, onerror=cannot):
        here = Path(root)
        if MARKER in names:
            folders.clear()
            continue
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        for name in sorted(n for n in names if not n.startswith(".") and n != PACK_FILE):
            ending = Path(name).suffix.lower()
            wanted = ending == RECORDING_ENDING or ending in TABLE_ENDINGS
            if wanted and not (here / name).is_file():  # a pipe never ends, and a link may lead nowhere
                closed.append((_name(here / name, folder), "is no ordinary file"))
            else:
                (files if wanted else other).append(_name(here / name, folder))
    if not files:
        endings = ", ".join((RECORDING_ENDING, *TABLE_ENDINGS))
        raise InputError(f"{folder}: no recording and no table in it (names that end in {endings})")
    return Found(tuple(sorted(files)), tuple(sorted(other)), tuple(sorted(closed)))


def nearest_pack(name: str, folder: Path) -> Path | None:
    """The pack.toml beside a file of the batch, else in a folder above it, up to that of the batch."""
    here = (folder / name).parent
    for place in (here, *here.parents):
        if (place / PACK_FILE).is_file():
            return place / PACK_FILE
        if place == folder:
            break
    return None


def _name(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()

"""The files of recordings: which one it is, copies that the logbook makes, and what became of them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import IO, BinaryIO

from evenstring.errors import InputError
from evenstring.io.files import new_file
from evenstring.logbook.store.database import COPIES

__all__ = ["Seen", "begins_with", "copied", "leftovers", "remove_copy", "seen", "sha256_of"]

_CHUNK = 1 << 20
_DIGITS = 32  # of the digest, in the name of a copy: enough to tell them apart


@dataclass(frozen=True, slots=True)
class Seen:
    """A file as it was when it was looked at."""

    path: Path
    sha256: str
    size: int


def seen(path: Path) -> Seen:
    """A file as it is now.

    Raises:
        InputError: it cannot be read, or its name cannot be kept.
    """
    try:
        str(path.absolute()).encode()
    except UnicodeEncodeError as error:
        raise InputError(f"{path}: its name holds bytes that are no text; rename it or its folder") from error
    return Seen(path, *sha256_of(path))


def sha256_of(path: Path) -> tuple[str, int]:
    """Digest and length of a file.

    Raises:
        InputError: it cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest(), file.tell()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}") from error


def begins_with(file: Seen, sha256: str, size: int) -> bool:
    """Whether a file is an earlier one that grew, as one that is recorded or fetched in two goes does."""
    if size >= file.size:
        return False
    digest, left = hashlib.sha256(), size
    try:
        with file.path.open("rb") as source:
            while left and (chunk := source.read(min(_CHUNK, left))):
                digest.update(chunk)
                left -= len(chunk)
    except OSError as error:
        raise InputError(f"{file.path} cannot be read: {error.strerror or error}") from error
    return digest.hexdigest() == sha256


def copied(file: Seen, folder: Path) -> Path:
    """A copy of the file among the logbook's own, under its digest; its path from the logbook's folder.

    Raises:
        InputError: it is not any more the file that was looked at, or the disk is full.
    """
    name = Path(COPIES) / f"{file.sha256[:_DIGITS]}{file.path.suffix}"
    to = folder / name
    if to.exists() and sha256_of(to)[0] == file.sha256:
        return name
    try:  # also of a copy that is damaged
        with file.path.open("rb") as source, new_file(to, force=True) as target:
            if _copy(source, target) != file.sha256:
                raise InputError(f"{file.path} changed while it was copied: add it again when it is complete")
    except InputError as error:
        if isinstance(error.__cause__, OSError):
            why = error.__cause__.strerror
            raise InputError(f"{to}: cannot write a copy ({why}): make room, or leave out --copy") from error
        raise
    return name


def _copy(source: BinaryIO, target: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while chunk := source.read(_CHUNK):
        digest.update(chunk)
        target.write(chunk)
    return digest.hexdigest()


def remove_copy(path: Path) -> str:
    """Take a copy away that the logbook made; what became of it, in words."""
    try:
        path.unlink()
    except FileNotFoundError:
        return f"its copy {path} was gone already"
    except OSError as error:
        return f"its copy {path} could not be removed ({error.strerror or error})"
    return f"its copy {path} is removed"


def leftovers(folder: Path, known: set[Path]) -> list[Path]:
    """Copies and rooms of new databases that belong to no recording: left by adds that were ended."""
    there = [*(folder / COPIES).glob("*"), *folder.glob(".evenstring-*")]
    return sorted(p for p in there if p not in known)

"""Writing files so that nothing that exists is lost: new files appear whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from evenstring.errors import InputError

__all__ = ["make_folder", "new_file", "refuse_existing", "write_new"]


def refuse_existing(path: Path, force: bool = False) -> None:
    """Raise InputError when `path` exists and may not be replaced."""
    if path.is_dir():
        raise InputError(f"{path}: is a folder; name a file with -o")
    if path.exists() and not force:
        raise InputError(f"{path}: exists already and stays as it is; choose another name or give --force")


def write_new(path: Path, data: bytes, force: bool = False) -> None:
    """Write a file under a temporary name and rename it when it is complete.

    Raises:
        InputError: the file exists, or the folder cannot be written.
    """
    with new_file(path, force) as file:
        file.write(data)


@contextmanager
def new_file(path: Path, force: bool = False) -> Iterator[IO[bytes]]:
    """A file to write piece by piece, under a temporary name; it appears when all went well, and not at all else.

    Raises:
        InputError: the file exists, or the folder cannot be written.
    """
    refuse_existing(path, force)
    part = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot write ({error.strerror or error}); choose another place with -o") from error
    finally:
        with suppress(OSError):  # where the folder is none, there is no part either
            part.unlink(missing_ok=True)


def make_folder(folder: Path) -> None:
    """Make a folder for output, where it is not there yet.

    Raises:
        InputError: a file stands there, or the place cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot make this folder ({error.strerror or error}); choose another -o") from error

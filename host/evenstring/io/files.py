"""Writing files so that nothing that exists is lost: new files appear whole or not at all.

Only regular files are ever replaced or added to, and never through a symbolic link: what stands at a name may have been
put there by somebody else.
"""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, BinaryIO

from evenstring.errors import InputError

__all__ = ["make_folder", "new_file", "open_new", "open_to_add", "refuse_existing", "write_new"]

_NO_LINK = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)  # each where the system knows it
_MODE = 0o666  # less what the user's mask takes away, as for any new file


def refuse_existing(path: Path, force: bool = False, instead: str = "choose another name or give --force") -> None:
    """Raise InputError when `path` exists and may not be replaced; `instead`: what to do then."""
    try:
        mode = path.lstat().st_mode  # not Path.exists: from Python 3.14 on that is silent about a name too long
    except (FileNotFoundError, NotADirectoryError):
        return
    except OSError as error:  # a name too long for this system
        raise InputError(f"{path}: cannot be a file here ({error.strerror or error}); choose another name") from error
    if path.is_dir():
        raise InputError(f"{path}: is a folder; name a file with -o")
    if stat.S_ISLNK(mode):
        raise InputError(f"{path}: is a link; name the file itself, or another one")
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: is no ordinary file and stays as it is; choose another name")
    if not force:
        raise InputError(f"{path}: exists already and stays as it is; {instead}")


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
    part = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        # A name of its own, made by this call alone: nobody can have put a link there before.
        handle, name = tempfile.mkstemp(prefix=".evenstring-", suffix=".part", dir=path.parent)
        part = Path(name)
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.chmod(_mode_of(path))
        part.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot write ({error.strerror or error}); choose another place with -o") from error
    finally:
        if part is not None:
            with suppress(OSError):  # renamed by now when all went well
                part.unlink(missing_ok=True)


def _mode_of(path: Path) -> int:
    """Rights of the file that is replaced; of a new one those that the user's mask leaves."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return _MODE & ~mask


def open_new(path: Path) -> BinaryIO:
    """A new file to write, unbuffered; OSError where anything stands there."""
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _NO_LINK, _MODE), "wb", buffering=0)


def open_to_add(path: Path) -> BinaryIO:
    """A file to add to, unbuffered, made where there is none; OSError where a link stands there."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | _NO_LINK
    return os.fdopen(os.open(path, flags, _MODE), "ab", buffering=0)


def make_folder(folder: Path) -> None:
    """Make a folder for output, where it is not there yet.

    Raises:
        InputError: a file stands there, or the place cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot make this folder ({error.strerror or error}); choose another -o") from error

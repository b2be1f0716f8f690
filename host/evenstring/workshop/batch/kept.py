"""What is done stays done: beside each report lies what it was made of, and a row of the overview."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from evenstring import __version__
from evenstring.errors import InputError
from evenstring.io.files import write_new
from evenstring.logbook.store.files import sha256_of
from evenstring.text import json_text
from evenstring.workshop.batch.row import Row, row_from

__all__ = ["clear", "keep", "kept_row", "key_of"]

_DONE = "done.json"  # written last, so that what it names is there
_VERSION = f"{__version__}/1"  # the second number is raised with what a row or a report holds


def key_of(sha256: str, options: Mapping[str, Any]) -> str:
    """What makes a report the same: content of the file, version of this program, options."""
    text = json.dumps([_VERSION, sha256, options], sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def kept_row(folder: Path, key: str) -> Row | None:
    """The row of a report in `folder` that was made of the same and is still as it was; else None."""
    try:
        done = json.loads((folder / _DONE).read_bytes())
        if done["key"] != key:
            return None
        if any(sha256_of(folder / name)[0] != sha256 for name, sha256 in done["files"].items()):
            return None
        return row_from(done["row"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, InputError):
        return None  # not there, torn, changed by somebody: made again


def keep(folder: Path, key: str, row: Row, files: Mapping[str, bytes]) -> None:
    """Write the files of a report, then that it is done.

    Raises:
        InputError: the folder cannot be written.
    """
    for name, data in files.items():
        write_new(folder / name, data, force=True)
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    done = {"key": key, "row": asdict(row), "files": digests}
    write_new(folder / _DONE, (json_text(done) + "\n").encode("utf-8", "surrogatepass"), force=True)


def clear(folder: Path, names: tuple[str, ...]) -> None:
    """Take away an older report, and what a killed run left half written."""
    with suppress(FileNotFoundError, NotADirectoryError):
        for name in (_DONE, *names):
            (folder / name).unlink(missing_ok=True)
        for part in folder.glob(".evenstring-*.part"):
            part.unlink(missing_ok=True)

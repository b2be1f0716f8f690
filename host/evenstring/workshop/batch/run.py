"""A folder to reports and one overview: finds, sorts, writes. Nothing of when or how fast stands in a file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from evenstring.errors import InputError
from evenstring.io.files import make_folder, write_new
from evenstring.profile import profile_text
from evenstring.text import json_text
from evenstring.workshop.batch.find import MARKER, Found, find, nearest_pack
from evenstring.workshop.batch.overview import csv_bytes, parquet_bytes
from evenstring.workshop.batch.page import overview_page
from evenstring.workshop.batch.row import Row, attention, failed
from evenstring.workshop.batch.task import PackText, Settings, Task

__all__ = ["Batch", "planned", "write_overview"]

_FORMAT = "evenstring-batch/1"


@dataclass(frozen=True, slots=True)
class Batch:
    """What is to be done. `refused`: rows of what cannot even be tried."""

    folder: Path
    output: Path
    tasks: tuple[Task, ...]
    refused: tuple[Row, ...]
    other: tuple[str, ...]


def planned(folder: Path, output: Path, settings: Settings) -> Batch:
    """The tasks of a folder; marks `output` as that of a batch, so that a later one of it goes on there.

    Raises:
        InputError: nothing to do, or `output` holds something else.
    """
    folder, output = folder.absolute(), output.absolute()
    _claim(output, folder)
    found = find(folder)
    tasks, refused = _tasks(found, folder, output, settings)
    refused += [failed(name, why) for name, why in found.closed]
    return Batch(folder, output, tuple(tasks), tuple(refused), found.other)


def write_overview(batch: Batch, rows: Iterable[Row]) -> tuple[tuple[Row, ...], tuple[Path, ...]]:
    """Write overview.html, overview.csv and, where pyarrow is, overview.parquet: the rows sorted, and the files.

    Raises:
        InputError: one cannot be written.
    """
    ordered = tuple(sorted((*rows, *batch.refused), key=attention))
    made = {
        "overview.html": overview_page(ordered, batch.folder.name, batch.other).encode("utf-8", "replace"),
        "overview.csv": csv_bytes(ordered),
    }
    table = parquet_bytes(ordered)
    if table is not None:
        made["overview.parquet"] = table
    for name, data in made.items():
        write_new(batch.output / name, data, force=True)
    return ordered, tuple(batch.output / name for name in made)


def _claim(output: Path, folder: Path) -> None:
    """Make the folder of the batch; one that holds anything else stays as it is."""
    if output == folder:
        raise InputError(f"{output}: is the folder of the recordings itself; name another with -o")
    make_folder(output)
    mark = (json_text({"format": _FORMAT, "of": folder.name}) + "\n").encode("utf-8", "replace")
    marker = output / MARKER
    if not marker.exists() and not any(not p.name.startswith(".evenstring-") for p in output.iterdir()):
        write_new(marker, mark)
    elif not marker.is_file() or marker.read_bytes() != mark:
        raise InputError(f"{output}: holds something else and stays as it is; name a new folder with -o")
    for part in output.glob(".evenstring-*.part"):  # of a run that was killed
        part.unlink(missing_ok=True)


def _tasks(found: Found, folder: Path, output: Path, settings: Settings) -> tuple[list[Task], list[Row]]:
    read = _cached(folder)
    tasks, refused = [], []
    for name in found.files:
        try:
            near = None if settings.pack else read(name)
        except InputError as error:
            refused.append(failed(name, str(error)))
            continue
        tasks.append(Task(name, folder / name, output / name, settings, near))
    return tasks, refused


def _cached(folder: Path) -> Callable[[str], PackText | None]:
    """Reads each pack.toml once."""
    texts: dict[Path, PackText] = {}

    def read(name: str) -> PackText | None:
        path = nearest_pack(name, folder)
        if path is None:
            return None
        if path not in texts:
            texts[path] = PackText(profile_text(path), path.relative_to(folder).as_posix())
        return texts[path]

    return read

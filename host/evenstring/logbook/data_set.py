"""A whole logbook as a Parquet data set: `recordings` and `groups`, partitioned by pack and year.

Columns are the fields of an entry, whatever these are; what an entry has for each group is a column of `groups`. Rows
go from the logbook to the files a few thousand at a time.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from datetime import UTC, datetime
from hashlib import sha256
from itertools import groupby, islice
from pathlib import Path
from types import NoneType
from typing import Any, get_args, get_type_hints

from evenstring.errors import InputError
from evenstring.io.files import make_folder, refuse_existing
from evenstring.logbook.entry import Entry
from evenstring.logbook.store.rows import Listed
from evenstring.logbook.store.whose import PackKey

__all__ = ["TABLES", "pack_id", "refuse_without_pyarrow", "write_data_set"]

TABLES = ("recordings", "groups")
_SIGN = "data_set.json"  # which folder is one of ours, and may be replaced
_BATCH = 2000  # recordings of one file; our choice
_PLAIN = {float: "float64", int: "int32", bool: "bool_", str: "string"}  # type of a field -> type of Arrow
_BY_GROUP = tuple[float | None, ...]  # one figure a group
_OF_SOME = tuple[tuple[int, float], ...]  # group and figure, for those that have one


@dataclass(frozen=True, slots=True)
class _Figure:
    """A column: where it stands in an entry, and what it is."""

    way: tuple[str, ...]
    kind: Any

    @property
    def name(self) -> str:
        return "_".join(self.way)

    def of(self, entry: Entry) -> Any:
        value: Any = entry
        for name in self.way:
            value = None if value is None else getattr(value, name)
        return value


def refuse_without_pyarrow() -> None:
    """Say before the work is done that the library which writes Parquet is not there.

    Raises:
        InputError: it is not installed.
    """
    try:
        import pyarrow  # noqa: F401, PLC0415  # an extra
    except ImportError as error:
        raise InputError("a data set needs pyarrow: pip install 'evenstring[parquet]'") from error


def pack_id(pack: PackKey) -> str:
    """The name of a string's partition: letters and figures that any system takes, and no two strings the same."""
    told = (pack.vehicle, pack.name, pack.string_name, pack.groups, pack.chemistry)
    short = re.sub(r"[^a-z0-9]+", "-", pack.name.lower()).strip("-")[:40]
    return f"{short or 'pack'}-{sha256(json.dumps(told).encode()).hexdigest()[:8]}"


def write_data_set(rows: Callable[[], Iterable[Listed]], folder: Path, *, force: bool = False) -> int:
    """Write both tables; the folder appears whole or not at all.

    Args:
        rows: gives all recordings, by pack and time; called once a table.
        folder: where; new.
        force: replace a data set of ours that is there.

    Returns:
        How many recordings there are.

    Raises:
        InputError: there are no recordings, the folder is there already or cannot be written, or pyarrow is not
            installed.
    """
    refuse_without_pyarrow()
    _refuse(folder, force)
    with _whole(folder) as part:
        counts = [_write(table, rows(), part / table) for table in TABLES]
        if not counts[0]:
            raise InputError("the logbook has no recordings: evenstring logbook add FILE, or give its --logbook")
        (part / _SIGN).write_text(json.dumps({"format": "evenstring-data-set/1", "recordings": counts[0]}))
    return counts[0]


def _refuse(folder: Path, force: bool) -> None:
    if folder.is_dir() and not folder.is_symlink():
        ours = (folder / _SIGN).is_file()
        if any(folder.iterdir()) and not (force and ours):
            how = "give --force to replace it" if ours else "it is no data set of a logbook: choose another name"
            raise InputError(f"{folder}: exists already and stays as it is; {how}")
    else:
        refuse_existing(folder)


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """A folder beside, which takes the place of the one that was there when all went well."""
    make_folder(folder.parent)
    try:
        with tempfile.TemporaryDirectory(prefix=".evenstring-", dir=folder.parent) as beside:
            part = Path(beside) / "new"
            part.mkdir()
            yield part
            if folder.exists():
                folder.rename(Path(beside) / "old")
            part.rename(folder)
    except OSError as error:
        raise InputError(f"{folder}: cannot write ({error.strerror or error}); choose another place") from error


def _write(table: str, rows: Iterable[Listed], to: Path) -> int:
    """A file for each stretch of recordings of one pack and year, named as Hive does; those two are in no file."""
    import pyarrow as pa  # noqa: PLC0415  # an extra
    import pyarrow.parquet as pq  # noqa: PLC0415  # an extra

    kinds = {"time": pa.timestamp("ms")} | {kind: getattr(pa, kind)() for kind in _PLAIN.values()}
    schema = pa.schema([(name, kinds[kind]) for name, kind in _COLUMNS[table]])
    to.mkdir()
    count = 0
    for number, (where, stretch) in enumerate(_stretches(rows)):
        count += len(stretch)
        folder = to / where
        folder.mkdir(parents=True, exist_ok=True)
        made = [line for row in stretch for line in _MAKERS[table](row)]
        pq.write_table(pa.Table.from_pylist(made, schema), folder / f"part-{number}.parquet")
    return count


def _stretches(rows: Iterable[Listed]) -> Iterator[tuple[str, list[Listed]]]:
    """The folder of a partition, and recordings that go into one file there."""
    for where, those in groupby(rows, _partition):
        while stretch := list(islice(those, _BATCH)):
            yield where, stretch


def _partition(row: Listed) -> str:
    start = _start(row)
    return f"pack={pack_id(row.pack)}/year={'__HIVE_DEFAULT_PARTITION__' if start is None else start.year}"


def _figures(kind: type = Entry, way: tuple[str, ...] = ()) -> Iterator[_Figure]:
    """All fields of an entry; those of a part within it too.

    Raises:
        TypeError: a field of a kind that has no column yet.
    """
    hints = get_type_hints(kind)
    for field in fields(kind):
        bare = _without_none(hints[field.name])
        if is_dataclass(bare):
            yield from _figures(bare, (*way, field.name))  # type: ignore[arg-type]  # of a class, as asked
        elif bare in _PLAIN or bare in (_BY_GROUP, _OF_SOME):
            yield _Figure((*way, field.name), bare)
        else:
            raise TypeError(f"{field.name}: {bare} has no column")


def _without_none(hint: Any) -> Any:
    kinds = [kind for kind in get_args(hint) if kind is not NoneType]
    return kinds[0] if NoneType in get_args(hint) and len(kinds) == 1 else hint


_ALL = tuple(_figures())
_OF_RECORDING = tuple(f for f in _ALL if f.kind in _PLAIN and f.name != "start_s")  # that is in the keys
_OF_GROUP = tuple(f for f in _ALL if f.kind not in _PLAIN)
_KEYS = [("recording", "string"), ("start_utc", "time")]
_COLUMNS = {
    "recordings": [
        *_KEYS,
        *((name, "string") for name in ("vehicle", "name", "string_name", "chemistry", "file")),
        ("number", "int32"),
        *((f.name, _PLAIN[f.kind]) for f in _OF_RECORDING),
    ],
    "groups": [*_KEYS, ("group_no", "int32"), *((f.name, "float64") for f in _OF_GROUP)],
}


def _start(row: Listed) -> datetime | None:
    """In UTC, without saying so: engines show it in no other zone then."""
    return None if row.start_s is None else datetime.fromtimestamp(row.start_s, UTC).replace(tzinfo=None)


def _keys(row: Listed) -> dict[str, Any]:
    """What both tables have; a recording is told by its checksum."""
    return {"recording": row.sha256, "start_utc": _start(row)}


def _recording(row: Listed) -> list[dict[str, Any]]:
    entry = row.entry
    whose = {name: getattr(row.pack, name) for name in ("vehicle", "name", "string_name", "chemistry")}
    figures = {f.name: f.of(entry) for f in _OF_RECORDING}
    return [{**figures, **_keys(row), **whose, "file": row.path.name, "number": row.number}]


def _groups(row: Listed) -> list[dict[str, Any]]:
    entry = row.entry
    keys, values = _keys(row), [(f, f.of(entry)) for f in _OF_GROUP]
    return [
        {**keys, "group_no": g, **{f.name: _one(f, value, g) for f, value in values}}
        for g in range(1, entry.groups + 1)
    ]


def _one(figure: _Figure, value: Any, group: int) -> float | None:
    """One group's figure; of several visits the lowest."""
    if figure.kind == _OF_SOME:
        return min((v for g, v in value or () if g == group), default=None)
    return value[group - 1] if value is not None and len(value) >= group else None


_MAKERS: dict[str, Callable[[Listed], list[dict[str, Any]]]] = {"recordings": _recording, "groups": _groups}

"""One file of a batch: read, judged, written. What goes wrong with it stays with it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from evenstring import __version__
from evenstring.errors import EvenstringError, InputError
from evenstring.io.load import load_session, profile_of
from evenstring.io.table import TABLE_ENDINGS, Wishes, import_table
from evenstring.logbook.store.files import sha256_of
from evenstring.profile import PackProfile, parse_profile
from evenstring.report.material import gather_material
from evenstring.session import Session
from evenstring.workshop.batch.kept import clear, keep, kept_row, key_of
from evenstring.workshop.batch.row import Row, failed, row_of
from evenstring.workshop.held import hold
from evenstring.workshop.written import NUMBERS, PAGE, SHEET, report_files

__all__ = ["PackText", "Settings", "Task", "perform"]


@dataclass(frozen=True, slots=True)
class PackText:
    """A pack profile as TOML, since it travels to other processes; `whole`: it names the number of groups."""

    toml: str
    where: str
    whole: bool = True

    def profile(self, groups: int | None = None) -> PackProfile:
        """The profile; `groups`, of the recording, where it names none.

        Raises:
            InputError: it makes no sense, or nobody says how many groups there are.
        """
        if self.whole:
            return parse_profile(self.toml, self.where)
        if groups is None:
            raise InputError("a table does not say how many groups there are: give --groups N")
        return parse_profile(self.toml.replace("[pack]\n", f"[pack]\ngroups = {groups}\n", 1), self.where)


@dataclass(frozen=True, slots=True)
class Settings:
    """What holds for all files of a batch.

    Attributes:
        pack: given for all; else each file has its own.
        wishes: on tables.
        accept: limits, by name or path. accept_sha256: of the limits in a file.
        load_a: asked for in the reserve.
        paper: also sheet.pdf.
        version: of the program that hands out the tasks.
    """

    pack: PackText | None = None
    wishes: Wishes = field(default_factory=Wishes)
    accept: str | None = None
    accept_sha256: str = ""
    load_a: float | None = None
    paper: bool = False
    version: str = __version__


@dataclass(frozen=True, slots=True)
class Task:
    """One file.

    Attributes:
        name: from the folder of the batch, with `/`.
        path: absolute, as all machines that work on the batch see it.
        output: folder of its report, absolute.
        near: of the pack.toml beside it, for a file that does not say its pack.
    """

    name: str
    path: Path
    output: Path
    settings: Settings
    near: PackText | None = None


def perform(task: Task) -> Row:
    """Make the report of a file, unless it is there; its row of the overview. Never raises for what a file holds."""
    try:
        return _done(task)
    except EvenstringError as error:
        return failed(task.name, str(error).removeprefix(f"{task.path}: ").replace(str(task.path), task.name))
    except MemoryError:
        return failed(task.name, "more than the memory of this machine; try it alone, or with fewer --workers")
    except Exception as error:  # noqa: BLE001  # one file must not stop the rest, whatever is wrong with it
        return failed(task.name, f"a fault of evenstring itself ({type(error).__name__}: {error}); please report it")


def _done(task: Task) -> Row:
    if task.settings.version != __version__:
        raise InputError(f"this worker runs evenstring {__version__}, the batch {task.settings.version}")
    sha256, _ = sha256_of(task.path)
    key = key_of(sha256, _options(task))
    row = kept_row(task.output, key)
    if row is not None:
        return row
    clear(task.output, (NUMBERS, PAGE, SHEET))
    with _recording(task) as path:
        session = load_session([path])
    material = gather_material(session, _profile(session, task))
    held = hold(material, None, task.settings.accept)
    files = dict(report_files(material, [task.path.name], held, paper=task.settings.paper))
    row = row_of(task.name, sha256, material, json.loads(files[NUMBERS]))
    keep(task.output, key, row, files)
    return row


def _options(task: Task) -> dict[str, Any]:
    """All that a report depends on, but for where it was written: a batch called from elsewhere is the same batch."""
    pack = task.settings.pack or task.near
    return {**asdict(task.settings), "name": task.name, "pack": pack and (pack.toml, task.settings.pack is None)}


@contextmanager
def _recording(task: Task) -> Iterator[Path]:
    """The file, or the recording that a table becomes, as long as the context lasts."""
    if task.path.suffix.lower() not in TABLE_ENDINGS:
        yield task.path
        return
    pack = task.settings.pack or task.near
    if pack is None:
        raise InputError(
            "a table does not say its pack: give --pack pack.toml, or --groups N and --chemistry NAME, or put a"
            " pack.toml beside it"
        )
    with TemporaryDirectory(prefix="evenstring-") as folder:
        path = Path(folder) / f"{task.path.stem}.frames"
        with path.open("wb") as out:
            import_table(task.path, pack.profile(), out, task.settings.wishes)
        yield path


def _profile(session: Session, task: Task) -> PackProfile:
    """The pack given for all, else that of the recording, else that of the file beside it."""
    pack = task.settings.pack or (None if session.pack_toml else task.near)
    profile = profile_of(session, None if pack is None else pack.profile(session.groups or None))
    if task.settings.load_a is None:
        return profile
    known = tuple(d for d in profile.defaults if d != "ride.load_a")
    return replace(profile, load_a=task.settings.load_a, defaults=known)

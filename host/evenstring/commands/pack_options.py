"""Options that describe the pack, shared by all commands: `--pack FILE`, or `--groups`, `--chemistry`, `--capacity`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click

from evenstring.chemistry import chemistry_named
from evenstring.commands.say import say
from evenstring.commands.table_options import show_notes, show_plan
from evenstring.errors import InputError, UsageError
from evenstring.io.table import TABLE_ENDINGS, Wishes, import_table
from evenstring.profile import RULES, PackProfile, load_profile, parse_profile, profile_text

__all__ = ["CAPACITY", "CHEMISTRY", "GROUPS", "GivenPack", "pack_options", "recordings_of"]


class _ChemistryName(click.ParamType):  # type: ignore[type-arg]  # older versions of click have none
    """A chemistry in any of its spellings, turned into its key."""

    name = "chemistry"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            return chemistry_named(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)


_AH = RULES["pack"]["capacity_ah"]
GROUPS = click.IntRange(1, 40)
CHEMISTRY = _ChemistryName()
CAPACITY = click.FloatRange(_AH.low, _AH.high)


@dataclass(frozen=True, slots=True)
class GivenPack:
    """What the command line says of the pack."""

    file: Path | None = None
    groups: int | None = None
    chemistry: str | None = None
    capacity_ah: float | None = None
    known: PackProfile | None = None  # read already, from where it was kept

    def profile(self, groups: int | None = None) -> PackProfile | None:
        """The profile that was given, or None; `groups`, of the recording, counts where the options name none.

        Raises:
            InputError: the file cannot be used.
            UsageError: a file and options at once, or options without a number of groups.
        """
        if self.known is not None:
            return self.known
        text = self.toml(groups)
        if text is None:
            return None
        if self.file is None and (self.groups or groups) is None:
            raise UsageError("say --groups N, the number of cell groups in series")
        return parse_profile(text, str(self.file or "the options"))

    def toml(self, groups: int | None = None) -> str | None:
        """The profile as the text of a pack.toml; without a number of groups where nobody says it.

        Raises:
            InputError: the file cannot be read.
            UsageError: a file and options at once.
        """
        options = (self.groups, self.chemistry, self.capacity_ah)
        if self.file and any(option is not None for option in options):
            raise UsageError("give --pack, or --groups, --chemistry and --capacity; not both")
        if self.file:
            return profile_text(self.file)
        if all(option is None for option in options):
            return None
        count = self.groups or groups
        lines = ["[pack]", *([f"groups = {count}"] if count else [])]
        lines += [f'chemistry = "{self.chemistry}"'] if self.chemistry else []
        lines += [f"capacity_ah = {self.capacity_ah!r}"] if self.capacity_ah is not None else []
        return "\n".join(lines) + "\n"


def pack_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command the options; it takes them as one argument `given`."""

    @click.option("--pack", type=click.Path(path_type=Path), help="Pack profile; by default the one in the recording.")
    @click.option("--groups", type=GROUPS, help="Without a profile: cell groups in series.")
    @click.option("--chemistry", type=CHEMISTRY, help="Without a profile: nmc, nca, lco, lfp, ...")
    @click.option("--capacity", type=CAPACITY, help="Without a profile: ampere-hours.")
    @wraps(command)
    def wrapped(
        *args: Any, pack: Path | None, groups: int | None, chemistry: str | None, capacity: float | None, **rest: Any
    ) -> Any:
        return command(*args, given=GivenPack(pack, groups, chemistry, capacity), **rest)

    return wrapped


def _beside(table: Path) -> PackProfile:
    near = table.with_name("pack.toml")
    if not near.is_file():
        raise UsageError(
            "a table does not say its pack: give --pack pack.toml, or --groups N and --chemistry NAME, or put a"
            " pack.toml beside it"
        )
    say(f"{table}: of the pack in {near}", err=True)
    return load_profile(near)


@contextmanager
def recordings_of(
    files: tuple[Path, ...], given: GivenPack, wishes: Wishes | None = None
) -> Iterator[tuple[Path, ...]]:
    """The files with each table among them turned into a recording, which lasts as long as the context.

    What each column of a table was taken for goes to the error stream; `wishes`: what the user says of it. Where
    nothing is said of a table's pack, the pack.toml beside it counts.

    Raises:
        UsageError: a table, and nothing said of its pack; or a file named twice.
    """
    twice = [file for k, file in enumerate(files) if file in files[:k]]
    if twice:
        raise UsageError(f"{twice[0]}: is named twice; with itself a recording compares to nothing")
    if not any(file.suffix.lower() in TABLE_ENDINGS for file in files):
        yield files
        return
    with TemporaryDirectory(prefix="evenstring-") as folder:
        paths = []
        for k, file in enumerate(files):
            path = file
            if file.suffix.lower() in TABLE_ENDINGS:
                profile = given.profile() or _beside(file)
                path = Path(folder) / f"{k}-{file.stem}.frames"
                with path.open("wb") as out:
                    plan, made = import_table(file, profile, out, wishes)
                show_plan(plan, err=True)
                show_notes(made, err=True)
            paths.append(path)
        yield tuple(paths)

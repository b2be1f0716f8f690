"""Option --log: what was recorded or fetched goes into the logbook once it is whole on this disk."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from evenstring.commands.pack_options import GivenPack
from evenstring.commands.say import say
from evenstring.errors import EvenstringError, InputError, UsageError

__all__ = ["Log", "log_option"]


@dataclass(frozen=True, slots=True)
class Log:
    """Into which logbook, and the pack's name where nothing else tells it."""

    folder: Path | None = None
    name: str | None = None

    def take(self, paths: Sequence[Path], pack: Path | None = None) -> None:
        """Add complete recordings; one that cannot be added is whole all the same, and says how to add it later.

        Raises:
            InputError: one of them was not added.
        """
        # The analysis with it: not before the recording is closed.
        from evenstring.commands.history.book_options import book_to_add  # noqa: PLC0415
        from evenstring.commands.history.logbook_add import Names, add_file  # noqa: PLC0415

        left = list(paths)
        try:
            with book_to_add(self.folder) as book:
                for path in paths:
                    try:
                        add_file(book, path, Names(self.name), GivenPack(pack))
                        left.remove(path)
                    except EvenstringError as error:
                        say(f"{path}: not added to the logbook: {error}", err=True)
        except EvenstringError as error:  # of the logbook itself
            say(f"not added to the logbook: {error}", err=True)
        if left:
            files = " ".join(map(str, left))
            raise InputError(f"recorded and whole, but not in the logbook; later: evenstring logbook add {files}")


def log_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a click command --log with --logbook and --name; it takes them as one argument `log`, None without."""

    @click.option("--log", "wanted", is_flag=True, help="Add it to the logbook when it is complete.")
    @click.option(
        "--logbook", "folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of that logbook."
    )
    @click.option("--name", help="With --log: the pack's name, where neither its profile nor the board tells one.")
    @wraps(command)
    def wrapped(*args: Any, wanted: bool, folder: Path | None, name: str | None, **rest: Any) -> Any:
        if not wanted and (folder or name):
            raise UsageError("--logbook and --name are for --log: give that too")
        return command(*args, log=Log(folder, name) if wanted else None, **rest)

    return wrapped

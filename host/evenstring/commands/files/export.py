"""evenstring export: a recording becomes a table, or frames of several files put together."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from evenstring.commands.say import say
from evenstring.io.export.battery_data import group_files
from evenstring.io.export.pieces import Pieces
from evenstring.io.export.tables import WRITERS, joined
from evenstring.io.files import new_file, refuse_existing, write_new
from evenstring.io.load import count_scans, load_session
from evenstring.report.words import counted

__all__ = ["command"]


@click.command("export", epilog="Example: evenstring export charge.frames --to csv -o charge.csv")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to", "kind", required=True, type=click.Choice(sorted([*WRITERS, "bdf", "frames"])), help="Format to write."
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="File or folder to make; by default beside the first FILE."
)
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
def command(files: tuple[Path, ...], kind: str, output: Path | None, force: bool) -> None:
    """Write FILES in another format.

    csv is the table that `evenstring import` reads; parquet holds the same columns; frames puts several recordings
    into one file; bdf is the open Battery Data Format, one file for each group in the folder OUTPUT.
    """
    if kind == "frames":
        target = output or files[0].with_suffix(".frames")
        scans, groups = count_scans(files)  # which also says whether they are recordings
        _write(target, joined(files), force)
        say(f"{target}: {counted(scans, 'scan')} of {groups} groups")
        return
    if kind == "bdf":
        session = load_session(files, whole=True)
        folder = output or files[0].with_name(files[0].stem + "-bdf")
        tables = group_files(session, folder)
        for path, _ in tables:
            refuse_existing(path, force)
        for path, data in tables:
            write_new(path, data, force)
        say(f"{folder}: {len(tables)} files, one for each group")
        return
    target = output or files[0].with_suffix("." + kind)
    pieces = Pieces(files)
    _write(target, WRITERS[kind](pieces.shape, pieces), force)
    say(f"{target}: {counted(pieces.scans, 'scan')} of {pieces.shape.groups} groups")


def _write(target: Path, chunks: Iterable[bytes], force: bool) -> None:
    """Piece by piece, so that memory does not grow with the file."""
    with new_file(target, force) as file:
        for chunk in chunks:
            file.write(chunk)

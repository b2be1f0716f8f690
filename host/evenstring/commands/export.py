"""evenstring export: a recording becomes a table, or frames of several files put together."""

from __future__ import annotations

from pathlib import Path

import click

from evenstring.io.export import WRITERS
from evenstring.io.files import write_new
from evenstring.io.load import load_session

__all__ = ["command"]


@click.command("export", epilog="Example: evenstring export charge.frames --to csv -o charge.csv")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--to", "kind", required=True, type=click.Choice(sorted(WRITERS)), help="Format to write.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="File to make; by default beside the first FILE.")
@click.option("--force", is_flag=True, help="Replace the output if it exists.")
def command(files: tuple[Path, ...], kind: str, output: Path | None, force: bool) -> None:
    """Write FILES in another format.

    csv is the table that `evenstring import` reads; frames puts several recordings into one file.
    """
    session = load_session(files)
    target = output or files[0].with_suffix("." + kind)
    write_new(target, b"".join(WRITERS[kind](session, list(files))), force)
    click.echo(f"{target}: {session.scans} scans of {session.groups} groups")
